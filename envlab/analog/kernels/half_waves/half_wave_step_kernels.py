"""Amplifiers with a diode in their loop and their hold capacitors, side by side, piece by piece.

The step is that of half_wave_kernels. What happens within a piece is computed in singles, of which a register
holds twice as many: half waves, outputs, and what the held voltage has moved since the piece began. What is
held is a double, moved once a piece, so that nothing adds up: a single's rounding of 6e-8 stands beside each
half wave and each move, and what is held follows them to some 1e-7 of the largest half wave.

Most pieces ask for less than the whole step. A half wave that cannot come up to its node leaves its amplifier
at its lowest output (hold_one). Where each amplifier conducts from a piece's first sample to its last, or not
at all, none of its outputs moves (hold_steady).

In volts, of whatever name: v, d, at, fall, drain, out, over, drive, leak. d: what v has moved since the piece
began; at: the node then, d later at + d. fall, drain: what a step takes of v as it was then, bleeding and
conducting. rows: of one group, as half_wave_bleed_kernels.STEPS names them. drive: shape (PIECE · LANES,), a
row a sample.
"""

from __future__ import annotations

from typing import Any

from envlab.analog.kernels.diode_lane_kernels import omega_lanes
from envlab.analog.kernels.half_waves.half_wave_bleed_kernels import (
    BLEED,
    CAP_FIXED,
    CAP_OUT,
    CAP_SCALE,
    CAP_SHIFT,
    GAIN,
    HIGH,
    LOW,
    MOST_STEP,
    PER_KNEE,
    PER_STEP,
    SAFE,
    SERIES,
    SLOPE,
    Readings,
    charging_keeps,
    dropped_of,
    takes_of,
)
from envlab.analog.kernels.half_waves.half_wave_kernels import CONDUCTS, TILE
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.vector_kernels import (
    LANES,
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

_LN_2 = 0.6931471805599453


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
def at_lowest(out: Any, rows: Singles) -> Any:
    """Whether an amplifier's output is at its lowest in all lanes."""
    return not any_above(out - load(rows, LOW), 0.0)


@compiled
def _amplifier_of(rows: Singles) -> Any:
    """What _follow wants to know."""
    return (
        load(rows, LOW),
        load(rows, HIGH),
        load(rows, PER_STEP),
        load(rows, MOST_STEP),
        load(rows, SLOPE),
        load(rows, PER_KNEE),
        load(rows, SERIES),
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
    """Set the readings due at sample n; return which is next. before, d: of the sample before, and of n."""
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
    blocked = max(most - below, out - load(rows, LOW))
    conducting = (at + _rise_of(max(most - at, single(0.0)), rows)) - least
    return not any_above(either(out, single(CONDUCTS), blocked, conducting), 0.0)


@compiled
def _rise_of(over: Any, rows: Singles) -> Any:
    """No node rises further in a piece than this; over: by how much the half wave exceeds it at most."""
    return single(float(TILE)) * load(rows, GAIN) * over


@compiled
def is_free(most: Any, at: Any, rows: Singles) -> bool:
    """Whether no output meets its end in a piece: the largest half wave and a diode's drop stay below it."""
    if not any_above(most - load(rows, SAFE), 0.0):
        return True
    over = max(most - at, single(0.0))
    drop = load(rows, SLOPE) * _logarithm(single(1.0) + over * load(rows, PER_KNEE))
    highest = most + (drop + load(rows, SERIES) * over)
    # What the logarithm may be off is nothing beside a millivolt.
    return not any_above(highest - (load(rows, HIGH) - single(1e-3)), 0.0)


@compiled
def hold_steady(
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
) -> tuple[Any, Any, int]:
    """Follow a piece in which is_steady; return (d, conducted, next reading), as hold_one."""
    d, nothing, conducts = single(0.0), single(0.0), single(CONDUCTS)
    bleed = load(rows, BLEED)
    keep = either(out, conducts, bleed, charging_keeps(rows))
    gain = either(out, conducts, nothing, load(rows, GAIN))
    takes = either(out, conducts, fall, drain)
    for n in range(first, last):
        before = d
        over = load(drive, place + (n - first) * LANES) - (at + d)
        charged = keep * d + (gain * over - takes)
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

    place: in drive, where its half wave begins, nowhere at its amplifier's end (is_free). conducted: above
    zero where it ever did.
    """
    d, conducted, nothing = single(0.0), single(0.0), single(0.0)
    bleed, keep, gain = load(rows, BLEED), charging_keeps(rows), load(rows, GAIN)
    amplifier = _amplifier_of(rows)
    for n in range(first, last):
        node, before = at + d, d
        over = load(drive, place + (n - first) * LANES) - node
        out, share = _follow(out, over, node, amplifier)
        bled = bleed * d - fall
        charged = keep * d + (gain * over - drain)
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
def _most_over(now: Any, dropped: Any, cap: Any) -> Any:
    """How far above its node an output at its highest can lift the attack resistor; now: what is held.

    Not by way of that voltage itself: it comes so near to the node that a single could not tell them apart.
    """
    high, scale, shift, out, fixed = cap
    x = scale * (high - now) + shift
    return (out * narrow(omega_lanes(wide(x))) - fixed) + dropped


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
    dropped: Any,
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
    bleed, keep, gain = load(rows, BLEED), charging_keeps(rows), load(rows, GAIN)
    safe, held, amplifier, low = load(rows, SAFE), narrow(v), _amplifier_of(rows), load(rows, LOW)
    cap = (
        load(rows, HIGH), load(rows, CAP_SCALE), load(rows, CAP_SHIFT), load(rows, CAP_OUT),
        load(rows, CAP_FIXED),
    )  # fmt: skip
    at = held - dropped
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
            offered = either(nothing, share, _offered(upper_share, lower_share, up, down), now)
            over = offered - now
            if any_above(offered - safe, 0.0):
                over = min(over, _most_over(held + before, dropped, cap))
            charged = keep * before + (gain * over - drain)
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

    place: in drive, where its half wave begins; most, least: what that stays between, where is_free.
    bled: what is held at the end where nothing conducts, V.
    """
    held = narrow(v)
    dropped = dropped_of(leak, rows)
    at, below = held - dropped, min(held, narrow(bled)) - dropped
    fall, drain = takes_of(held, leak, rows)
    if is_steady(out, most, least, at, below, rows):
        d, conducted, reading = hold_steady(
            first, last, drive, place, out, rows, v, at, fall, drain, readings, reading
        )
    else:
        d, out, conducted, reading = hold_one(
            first, last, drive, place, out, rows, v, at, fall, drain, readings, reading
        )
    # What a lane gets does not hang on whether its neighbours conduct: it bled, and no more.
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
    dropped = dropped_of(leak, rows)
    fall, drain = takes_of(held, leak, rows)
    d, upper_out, lower_out, conducted, reading = hold_two(
        first, last, drive, lower, joined, upper_out, lower_out, rows, v, dropped, fall, drain, readings,
        reading,
    )  # fmt: skip
    moved = v + wide(d)
    if last - first == TILE:
        moved = either(single(0.0), conducted, moved, bled)
    return moved, upper_out, lower_out, reading
