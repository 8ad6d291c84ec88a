"""Amplifiers with a diode in their loop and their hold capacitors, side by side, a piece of samples at a time.

The step is that of half_wave_kernels. What happens within a piece is computed in singles, of which a register
holds twice as many: half waves, outputs, and what the held voltage has moved since the piece began. What is held
is a double, moved once a piece, so that nothing adds up: a single's rounding of 6e-8 stands beside each half wave
and each move, and what is held follows them to some 1e-7 of the largest half wave.

Most pieces ask for less than the whole step. A half wave that cannot come up to its node leaves its amplifier at
its lowest output (hold_one). Where each amplifier conducts from a piece's first sample to its last, or not at
all, none of its outputs moves (hold_steady).

In volts, of whatever name: v, d, at, fall, drain, out, over, drive, leak. d: what v has moved since the piece
began; at: the node then, d later at + d. fall, drain: what a step takes of v as it was then, bleeding and
conducting. rows: of one group, as STEPS names them. drive: shape (PIECE · LANES,), a row a sample.
"""

from __future__ import annotations

from typing import Any

from envlab.analog.kernels.diode_lane_kernels import omega_lanes
from envlab.analog.kernels.half_waves.half_wave_kernels import CONDUCTS, MOST_U, TILE
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.vector_kernels import (
    LANES,
    Doubles,
    Integers,
    Singles,
    any_above,
    either,
    everywhere,
    exponent,
    load,
    mantissa,
    narrow,
    single,
    store,
    wide,
)

# Rising sample indices at which is read; how far from the step before, 0 to 1; room for V, LANES a reading; how
# many readings these are.
Readings = tuple[Integers, Doubles, Doubles, int]
_LN_2 = 0.6931471805599453
# Pieces that are looked at together, whether they all bleed.
LONG = 8
# Rows of a group in singles: what rectifiers.half_wave_circuit gives; what a step of charging and one of bleeding
# take of what is held, which is too little beside 1 to be told from keep and bleed; from which held voltage on a
# diode's leakage has reached its saturation, what a step then leaks at the lowest output, and what LONG pieces of
# bleeding then leave and take.
STEPS = (
    *("keep", "gain", "bleed", "low", "high", "per_step", "most_step", "slope", "per_knee", "series"),
    *(
        "per_slope",
        "saturation",
        "per_leak",
        "drawn",
        "safe",
        "cap_scale",
        "cap_shift",
        "cap_out",
        "cap_fixed",
    ),
    *("drops", "lifted", "charging_takes", "bleeding_takes", "far_v", "far_leak", "far_keep", "far_takes"),
)
(
    _KEEP, _GAIN, _BLEED, _LOW, _HIGH, _PER_STEP, _MOST_STEP, _SLOPE, _PER_KNEE, _SERIES, _PER_SLOPE, _SATURATION,
    _PER_LEAK, _DRAWN, SAFE, _CAP_SCALE, _CAP_SHIFT, _CAP_OUT, _CAP_FIXED, _DROPS, _LIFTED, _CHARGING_TAKES,
    _BLEEDING_TAKES, _FAR_V, _FAR_LEAK, _FAR_KEEP, _FAR_TAKES,
) = (LANES * row for row in range(len(STEPS)))  # fmt: skip


@compiled
def _logarithm(z: Any) -> Any:
    """ln z, z ≥ 1, to 1.2e-5: a polynomial in k = 2m − 3 where z = m·2^e, through Chebyshev's points.

    It says when a diode begins to conduct. So far off, a drop is 0.5 µV off; even an amplifier of 1 MHz makes
    that good in a time in which what is held moves by 1e-10 V.
    """
    k = single(2.0) * mantissa(z) - single(3.0)
    k2 = k * k
    a = single(0.4054569719662681) + single(0.33333566914933777) * k
    b = single(-0.05540978891397944) + single(0.012303837607179976) * k
    c = single(-0.0034647052843528314) + single(0.0009315239138573498) * k
    return exponent(z) * single(_LN_2) + ((a + k2 * b) + (k2 * k2) * c)


@compiled
def leak_of(v: Any, rows: Singles) -> Any:
    """As half_wave_kernels.leak_v, in singles."""
    across = v - load(rows, _LOW)
    u = min(max(across * load(rows, _PER_SLOPE), single(0.0)), single(MOST_U))
    r = (single(1.0) - u * single(1.0 / 16.0)) + u * u * single(1.0 / 512.0)
    r2 = r * r
    r4 = r2 * r2
    r8 = r4 * r4
    drawn = load(rows, _DRAWN) + load(rows, _SATURATION) * (single(1.0) - r8 * r8)
    return drawn + across * load(rows, _PER_LEAK)


@compiled
def dropped_of(leak: Any, rows: Singles) -> Any:
    """How far the node lies below what is held: what leaks comes through the attack resistor."""
    return load(rows, _DROPS) * leak - load(rows, _LIFTED)


@compiled
def far_leak_of(v: Any, rows: Singles) -> Any:
    """As leak_of, from far_v on: what leaks at saturation, and what lies across the diodes."""
    return load(rows, _FAR_LEAK) + (v - load(rows, _LOW)) * load(rows, _PER_LEAK)


@compiled
def left_far(v: Any, rows: Singles) -> tuple[Any, bool]:
    """What LONG pieces of bleeding leave, and whether it then still is far_v or more in all lanes."""
    least = load(rows, _FAR_KEEP) * v - load(rows, _FAR_TAKES)
    return least, not any_above(load(rows, _FAR_V) - min(v, least), 0.0)


@compiled
def takes_of(v: Any, leak: Any, rows: Singles) -> tuple[Any, Any]:
    """Return fall and drain of a piece that begins at v."""
    return load(rows, _BLEEDING_TAKES) * v + leak, load(rows, _CHARGING_TAKES) * v


@compiled
def at_lowest(out: Any, rows: Singles) -> Any:
    """Whether an amplifier's output is at its lowest in all lanes."""
    return not any_above(out - load(rows, _LOW), 0.0)


@compiled
def _amplifier_of(rows: Singles) -> Any:
    """What _follow wants to know, read once: an array that is handed on in a loop is counted at every step."""
    return (
        load(rows, _LOW),
        load(rows, _HIGH),
        load(rows, _PER_STEP),
        load(rows, _MOST_STEP),
        load(rows, _SLOPE),
        load(rows, _PER_KNEE),
        load(rows, _SERIES),
    )


@compiled
def _follow(out: Any, over: Any, node: Any, amplifier: Any) -> tuple[Any, Any]:
    """As half_wave_kernels.follow; over: half wave above node."""
    low, high, per_step, most_step, slope, per_knee, series = amplifier
    nothing, whole, conducts = single(0.0), single(1.0), single(CONDUCTS)
    move = min(per_step * over, most_step)
    falls = max(min(out, node) + max(move, nothing - most_step), low)
    if not any_above(over, 0.0):
        return falls, nothing
    share = either(out, conducts, nothing, whole)
    after = out + move
    # Only an output that has come past its node can have a diode that begins to conduct.
    near = either(nothing, over, after - min(node, high), nothing)
    if any_above(either(out, conducts, near, nothing), 0.0):
        z = whole + max(over, nothing) * per_knee
        asked = min((node + slope * _logarithm(z)) + series * over, high)
        # The quotient's slow part does not wait for the logarithm.
        arrived = (after - asked) * (whole / move)
        share = either(out, conducts, min(max(arrived, nothing), whole), whole)
    rising = either(nothing, share, conducts, after)
    return either(nothing, over, rising, falls), either(nothing, over, share, nothing)


@compiled
def _read(
    n: int,
    v: Any,
    before: Any,
    d: Any,
    readings: Readings,
    reading: int,
) -> int:
    """Set the readings that are due at sample n; return which is next. before, d: at the samples before and at n."""
    due, fraction, read_v, count = readings
    while reading < count and due[reading] == n:
        moved = wide(before) + everywhere(fraction[reading]) * (wide(d) - wide(before))
        store(read_v, reading * LANES, v + moved)
        reading += 1
    return reading


@compiled
def is_steady(out: Any, most: Any, least: Any, at: Any, below: Any, rows: Singles) -> Any:
    """Whether each amplifier conducts all through a piece, or stays at its lowest.

    most, least: what its half wave stays between; below: what the node does not fall below.
    """
    conducts = single(CONDUCTS)
    # No node rises further than a whole piece of charging by the largest half wave takes it.
    rises = single(float(TILE)) * load(rows, _GAIN) * max(most - at, single(0.0))
    blocked = max(most - below, out - load(rows, _LOW))
    return not any_above(either(out, conducts, blocked, (at + rises) - least), 0.0)


@compiled
def hold_steady(
    first: int,
    last: int,
    drive: Singles,
    place: int,
    out: Any,
    rows: Singles,
    v: Any,
    fall: Any,
    drain: Any,
    readings: Readings,
    reading: int,
) -> tuple[Any, Any, int]:
    """Follow a piece in which is_steady; return (d, above zero where an amplifier conducted, next reading)."""
    d, nothing, conducts = single(0.0), single(0.0), single(CONDUCTS)
    bleed = load(rows, _BLEED)
    keep = either(out, conducts, bleed, load(rows, _KEEP))
    gain = either(out, conducts, nothing, load(rows, _GAIN))
    takes = either(out, conducts, fall, drain + load(rows, _GAIN) * load(rows, _LIFTED))
    for n in range(first, last):
        before = d
        charged = keep * d + (gain * load(drive, place + (n - first) * LANES) - takes)
        d = max(charged, bleed * d - fall)
        reading = _read(n, v, before, d, readings, reading)
    return d, either(out, conducts, nothing, single(1.0)), reading


@compiled
def hold_one(
    first: int,
    last: int,
    drive: Singles,
    place: int,
    out: Any,
    rows: Singles,
    v: Any,
    at: Any,
    fall: Any,
    drain: Any,
    readings: Readings,
    reading: int,
) -> tuple[Any, Any, Any, int]:
    """Follow a piece in which one amplifier alone can do anything; return (d, out, conducted, next reading).

    place: in drive, where its half wave begins, nowhere above SAFE. conducted: above zero where it ever did.
    """
    d, conducted, nothing = single(0.0), single(0.0), single(0.0)
    bleed, keep, gain, lifted = load(rows, _BLEED), load(rows, _KEEP), load(rows, _GAIN), load(rows, _LIFTED)
    amplifier = _amplifier_of(rows)
    for n in range(first, last):
        offered, node, before = load(drive, place + (n - first) * LANES), at + d, d
        out, share = _follow(out, offered - node, node, amplifier)
        bled = bleed * d - fall
        charged = keep * d + (gain * (offered - lifted) - drain)
        d = bled + share * max(charged - bled, nothing)
        conducted = max(conducted, share)
        reading = _read(n, v, before, d, readings, reading)
    return d, out, conducted, reading


@compiled
def _offered(share: Any, lower_share: Any, up: Any, down: Any) -> Any:
    """The half wave whose amplifier conducts; of two the larger one."""
    nothing = single(0.0)
    offered = either(nothing, share, up, down)
    return either(nothing, lower_share, max(offered, down), offered)


@compiled
def _within_output(offered: Any, now: Any, cap: Any) -> Any:
    """No more than an output at its highest lets through its diode; now: what is held."""
    high, scale, shift, out, fixed = cap
    x = scale * (high - now) + shift
    return min(offered, (now + out * narrow(omega_lanes(wide(x)))) - fixed)


@compiled
def hold_two(
    first: int,
    last: int,
    drive: Singles,
    lower: int,
    joined: bool,
    upper_out: Any,
    lower_out: Any,
    rows: Singles,
    v: Any,
    at: Any,
    fall: Any,
    drain: Any,
    readings: Readings,
    reading: int,
) -> tuple[Any, Any, Any, Any, int]:
    """Follow a piece whatever happens; return (d, both outputs, conducted, next reading).

    lower: in drive, where the lower half wave begins; the upper one begins with it. joined: whether one
    amplifier hands both on.
    """
    d, conducted, nothing, conducts = single(0.0), single(0.0), single(0.0), single(CONDUCTS)
    bleed, keep, gain, lifted = load(rows, _BLEED), load(rows, _KEEP), load(rows, _GAIN), load(rows, _LIFTED)
    safe, held, amplifier, low = load(rows, SAFE), narrow(v), _amplifier_of(rows), load(rows, _LOW)
    cap = (
        load(rows, _HIGH), load(rows, _CAP_SCALE), load(rows, _CAP_SHIFT), load(rows, _CAP_OUT),
        load(rows, _CAP_FIXED),
    )  # fmt: skip
    upper_rests, lower_rests = at_lowest(upper_out, rows), at_lowest(lower_out, rows)
    for n in range(first, last):
        up, down = load(drive, (n - first) * LANES), load(drive, lower + (n - first) * LANES)
        now, before = at + d, d
        upper_after, upper_share, lower_share = upper_out, nothing, nothing
        if joined:
            up = max(up, down)
        # An amplifier at its lowest output stays there while what it is given is below what is held.
        if not upper_rests or any_above(up - now, 0.0):
            node = now
            if not joined:
                # Of two that would conduct the larger one holds the node, and thereby blocks the other.
                node = either(lower_out, conducts, now, either(up, down, max(now, down), now))
            upper_after, upper_share = _follow(upper_out, up - node, node, amplifier)
            upper_rests = not any_above(upper_after - low, 0.0)
        if not joined and (not lower_rests or any_above(down - now, 0.0)):
            node = either(upper_out, conducts, now, either(up, down, now, max(now, up)))
            lower_out, lower_share = _follow(lower_out, down - node, node, amplifier)
            lower_rests = not any_above(lower_out - low, 0.0)
        upper_out, share = upper_after, max(upper_share, lower_share)
        bled = bleed * d - fall
        d = bled
        if any_above(share, 0.0):
            offered = either(nothing, share, _offered(upper_share, lower_share, up, down), nothing)
            if any_above(offered - safe, 0.0):
                offered = _within_output(offered, held + before, cap)
            charged = keep * before + (gain * (offered - lifted) - drain)
            d = bled + share * max(charged - bled, nothing)
            conducted = max(conducted, share)
        reading = _read(n, v, before, d, readings, reading)
    return d, upper_out, lower_out, conducted, reading


@compiled
def hold_side(
    first: int,
    last: int,
    drive: Singles,
    place: int,
    most: Any,
    least: Any,
    out: Any,
    rows: Singles,
    v: Any,
    leak: Any,
    bled: Any,
    readings: Readings,
    reading: int,
) -> tuple[Any, Any, int]:
    """Follow a whole piece in which one amplifier alone can do anything; return (v, out, next reading).

    place: in drive, where its half wave begins; most, least: what that stays between, most not above SAFE.
    bled: what is held at the end where nothing conducts, V.
    """
    held = narrow(v)
    dropped = dropped_of(leak, rows)
    at, below = held - dropped, min(held, narrow(bled)) - dropped
    fall, drain = takes_of(held, leak, rows)
    if is_steady(out, most, least, at, below, rows):
        d, conducted, reading = hold_steady(
            first, last, drive, place, out, rows, v, fall, drain, readings, reading
        )
    else:
        d, out, conducted, reading = hold_one(
            first, last, drive, place, out, rows, v, at, fall, drain, readings, reading
        )
    # What a lane gets does not depend on its neighbours: where nothing conducted, it bled, and no more.
    return either(single(0.0), conducted, v + wide(d), bled), out, reading


@compiled
def hold_both(
    first: int,
    last: int,
    drive: Singles,
    lower: int,
    joined: bool,
    upper_out: Any,
    lower_out: Any,
    rows: Singles,
    v: Any,
    leak: Any,
    bled: Any,
    readings: Readings,
    reading: int,
) -> tuple[Any, Any, Any, int]:
    """Follow a piece whatever happens; return (v, both outputs, next reading). As hold_side and hold_two."""
    held = narrow(v)
    at = held - dropped_of(leak, rows)
    fall, drain = takes_of(held, leak, rows)
    d, upper_out, lower_out, conducted, reading = hold_two(
        first, last, drive, lower, joined, upper_out, lower_out, rows, v, at, fall, drain, readings, reading,
    )  # fmt: skip
    moved = v + wide(d)
    if last - first == TILE:
        moved = either(single(0.0), conducted, moved, bled)
    return moved, upper_out, lower_out, reading


@compiled
def read_bleeding(
    v: Any,
    bleed: Any,
    leak: Any,
    first: int,
    last: int,
    readings: Readings,
    reading: int,
) -> int:
    """Set what is read from first to before last while the capacitors only bleed; return the next reading."""
    n = first
    due, fraction, out, count = readings
    while reading < count and due[reading] < last:
        while n < due[reading]:
            v = bleed * v - leak
            n += 1
        now = bleed * v - leak
        store(out, reading * LANES, v + everywhere(fraction[reading]) * (now - v))
        reading += 1
    return reading
