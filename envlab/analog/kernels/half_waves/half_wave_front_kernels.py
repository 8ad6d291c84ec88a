"""Many boards of one design in vector lanes: what each board's own preamp and rectifier make of a piece.

The nominal board's preamp output before its limits, x, is there already; what a board does differently is
that of tolerance_kernels. From there on all is in the board's own volts: coupling capacitor, both half waves,
a first amplifier with two diodes. Slow voltages stand still for a piece of eight samples.

In volts, of whatever name: x, at, y, across, out; over ρ, the board's gain against the nominal one: x, noise,
at. made: room for both half waves of a piece, V. state, lanes: of one group.
"""

from __future__ import annotations

from typing import Any

from envlab.analog.kernels.half_waves.half_wave_bleed_kernels import STEPS
from envlab.analog.kernels.half_waves.half_wave_kernels import CONDUCTS
from envlab.analog.kernels.half_waves.half_wave_kernels import TILE as PIECE
from envlab.analog.kernels.lane_kernels import TILE
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.tolerance_kernels import ROWS as FRONT_ROWS
from envlab.analog.kernels.tolerance_kernels import STATES as FRONT_STATES
from envlab.analog.kernels.tolerance_kernels import left_after
from envlab.analog.kernels.vector_kernels import (
    LANES,
    Doubles,
    Singles,
    above,
    any_above,
    either,
    everywhere,
    exponent,
    lesser,
    load,
    mantissa,
    narrow,
    single,
    smallest,
    store,
)
from envlab.units import FloatArray

_LN_2 = 0.6931471805599453
# Whether there is a coupling capacitor, a first amplifier with two diodes, one amplifier for both half waves,
# and whether that only gives.
Kind = tuple[bool, bool, bool, bool]
# Of a block: nominal output, the same before its bandwidth, noise, and where it was over a limit, (n,) each;
# whether there is noise.
Signals = tuple[Doubles, Doubles, Doubles, Doubles, bool]
# The same in singles: nominal output and noise; then of each piece its largest and its smallest output.
Heard = tuple[Singles, Singles, Singles, Singles]
# Of a group: its numbers as doubles and as singles, its state. Room for both half waves of a piece, as both.
Group = tuple[Doubles, Singles, Doubles]
Room = tuple[Doubles, Singles]
# Rows of a group's lanes: those of tolerance_kernels, of which the first six are the detector's; then these.
ROWS = (
    *FRONT_ROWS,
    *("ratio", "lifted", "bleed_piece", "leaks_piece", "far_keep", "far_takes", "long_keep", "long_takes"),
    *("up_gain", "up_error", "up_low", "up_high", "down_gain", "down_error", "down_low", "down_high"),
    *("coupled", "coupled_low", "below"),
    *("first_step", "first_most_step", "first_slope", "first_knee", "first_far"),
)
CHARGE, BLEED, GAIN = 0, LANES, 5 * LANES
_NOISE, NOISE_SIZE, _LOW, _HIGH, FREE = (LANES * row for row in (6, 7, 9, 10, 11))
SLOW_Q, NOMINAL_Q, LEG, NOMINAL_LEG = (LANES * row for row in (13, 15, 17, 18))
(
    _RATIO, LIFTED, BLEED_PIECE, LEAKS_PIECE, FAR_KEEP, FAR_TAKES, LONG_KEEP, LONG_TAKES, _UP_GAIN,
    _UP_ERROR, _UP_LOW, _UP_HIGH, _DOWN_GAIN, _DOWN_ERROR, _DOWN_LOW, _DOWN_HIGH, _COUPLED, _COUPLED_LOW,
    _BELOW, _FIRST_STEP, _FIRST_MOST, _FIRST_SLOPE, _FIRST_KNEE, _FIRST_FAR,
) = (LANES * row for row in range(len(FRONT_ROWS), len(ROWS)))  # fmt: skip
# Rows of a group in singles: STEPS, then what makes half waves of the nominal output.
SINGLE_ROWS = (
    *("ratio", "noise", "noise_size"),
    *("up_gain", "up_error", "up_low", "up_high", "down_gain", "down_error", "down_low", "down_high"),
)
(
    _RATIO_, _NOISE_, _NOISE_SIZE_, _UP_GAIN_, _UP_ERROR_, _UP_LOW_, _UP_HIGH_, _DOWN_GAIN_, _DOWN_ERROR_,
    _DOWN_LOW_, _DOWN_HIGH_,
) = (LANES * row for row in range(len(STEPS), len(STEPS) + len(SINGLE_ROWS)))  # fmt: skip
# Rows of a group's state: those of tolerance_kernels, the first of them the held voltage; then both outputs,
# coupling capacitor, output of the first amplifier.
STATES = FRONT_STATES + 4
UPPER_OUT, LOWER_OUT, _ACROSS, _FIRST_OUT = (LANES * row for row in range(FRONT_STATES, STATES))
# Of the state: where the count of samples at a limit begins.
LIMITED, LEFT, LEFT0 = 5 * LANES, 6 * LANES, 7 * LANES
# Room for both half waves of a piece.
ROOM = 2 * PIECE * LANES
DOWN_ROOM = PIECE * LANES


@compiled
def logarithm(z: Any) -> Any:
    """ln z, z ≥ 1: a polynomial in k = 2m − 3 where z = m·2^e; Chebyshev's points, 1.3e-10."""
    k = everywhere(2.0) * mantissa(z) - everywhere(3.0)
    k2 = k * k
    k4 = k2 * k2
    a = everywhere(0.4054651082139473) + everywhere(0.3333333331164324) * k
    b = everywhere(-0.05555556310456934) + everywhere(0.012345685027919825) * k
    c = everywhere(-0.0030863327634173122) + everywhere(0.0008229977773619337) * k
    d = everywhere(-0.00022898806622778282) + everywhere(6.548068837332136e-05) * k
    e = everywhere(-1.8370358545094197e-05) + everywhere(5.387542594770137e-06) * k
    f = everywhere(-2.263529955435653e-06) + everywhere(7.061096645353083e-07) * k
    of_m = (a + k2 * b) + k4 * ((c + k2 * d) + k4 * (e + k2 * f))
    return exponent(z) * everywhere(_LN_2) + of_m


@compiled
def _upper(x: Any, lanes: FloatArray) -> Any:
    made = load(lanes, _UP_ERROR) + load(lanes, _UP_GAIN) * x
    return min(max(made, load(lanes, _UP_LOW)), load(lanes, _UP_HIGH))


@compiled
def _lower(x: Any, lanes: FloatArray) -> Any:
    made = load(lanes, _DOWN_ERROR) - load(lanes, _DOWN_GAIN) * x
    return min(max(made, load(lanes, _DOWN_LOW)), load(lanes, _DOWN_HIGH))


@compiled
def _ends_of(most: float, least: float, loudest: float, at: Any, rows: Singles) -> tuple[Any, Any]:
    """Largest and smallest output while x is least to most and noise within ± loudest, V over ρ."""
    ratio, noise = load(rows, _RATIO_), load(rows, _NOISE_SIZE_) * single(loudest)
    return ratio * (single(most) + at + noise), ratio * (single(least) + at - noise)


@compiled
def tops_of(most: float, least: float, loudest: float, at: Any, rows: Singles) -> tuple[Any, Any]:
    """What neither half wave exceeds while x is least to most and noise within ± loudest, V over ρ."""
    top, bottom = _ends_of(most, least, loudest, at, rows)
    return upper_of(top, rows), lower_of(bottom, rows)


@compiled
def bottoms_of(most: float, least: float, loudest: float, at: Any, rows: Singles) -> tuple[Any, Any]:
    """What neither of them falls below; most, least, loudest: V over ρ, as tops_of."""
    top, bottom = _ends_of(most, least, loudest, at, rows)
    return upper_of(bottom, rows), lower_of(top, rows)


@compiled
def upper_of(y: Any, rows: Singles) -> Any:
    """The upper half wave of y."""
    made = load(rows, _UP_ERROR_) + load(rows, _UP_GAIN_) * y
    return min(max(made, load(rows, _UP_LOW_)), load(rows, _UP_HIGH_))


@compiled
def lower_of(y: Any, rows: Singles) -> Any:
    """The lower half wave of y."""
    made = load(rows, _DOWN_ERROR_) - load(rows, _DOWN_GAIN_) * y
    return min(max(made, load(rows, _DOWN_LOW_)), load(rows, _DOWN_HIGH_))


@compiled
def _output(x: Singles, noise: Singles, noisy: bool, n: int, at: Any, own_noise: Any) -> Any:
    """The boards' outputs at sample n, over ρ, where none meets a limit; noisy: whether there is noise."""
    y = single(x[n]) + at
    if noisy:
        y = y + own_noise * single(noise[n])
    return y


@compiled
def hear_upper(
    x: Singles, noise: Singles, noisy: bool, first: int, last: int, at: Any, rows: Singles, drive: Singles
) -> None:
    """Set the upper half waves of a piece in drive, where no board meets a limit and all is at once."""
    ratio, own_noise = load(rows, _RATIO_), load(rows, _NOISE_)
    for n in range(first, last):
        y = ratio * _output(x, noise, noisy, n, at, own_noise)
        store(drive, (n - first) * LANES, upper_of(y, rows))


@compiled
def hear_lower(
    x: Singles, noise: Singles, noisy: bool, first: int, last: int, at: Any, rows: Singles, drive: Singles
) -> None:
    """The same of the lower half waves."""
    ratio, own_noise = load(rows, _RATIO_), load(rows, _NOISE_)
    for n in range(first, last):
        y = ratio * _output(x, noise, noisy, n, at, own_noise)
        store(drive, DOWN_ROOM + (n - first) * LANES, lower_of(y, rows))


@compiled
def narrowed(count: int, made: Doubles, drive: Singles) -> None:
    """Set in drive what stands in made, of both half waves."""
    for k in range(count):
        store(drive, k * LANES, narrow(load(made, k * LANES)))
        store(drive, DOWN_ROOM + k * LANES, narrow(load(made, DOWN_ROOM + k * LANES)))


@compiled
def hear(
    x: Doubles,
    quick: Doubles,
    noise: Doubles,
    noisy: bool,
    over: Doubles,
    first: int,
    last: int,
    lanes: Doubles,
    counts: bool,
    at: Any,
    state: Doubles,
    made: Doubles,
) -> Any:
    """Set the boards' own outputs in made; return what limits took of them, over ρ, summed.

    quick: nominal output before the preamp's bandwidth, shape (n,), V. noisy: whether there is noise.
    counts: whether a lane may meet a limit; where it does, the state's count of such samples grows.
    """
    ratio, own_noise = load(lanes, _RATIO), load(lanes, _NOISE)
    low_v, high_v, limited = load(lanes, _LOW), load(lanes, _HIGH), load(state, LIMITED)
    lacked = everywhere(0.0)
    for n in range(first, last):
        more = at
        if noisy:
            more = at + own_noise * everywhere(noise[n])
        y = everywhere(x[n]) + more
        if counts:
            # As tolerance_kernels: an output leaves its limit as soon as the loop wants it back.
            at_once = everywhere(quick[n]) + more
            outside = max(above(lesser(y, at_once), high_v), above(low_v, max(y, at_once)))
            limited = limited + max(everywhere(over[n]), outside)
            lowest = either(y, low_v, max(at_once, low_v), y)
            y = either(high_v, y, lesser(at_once, high_v), lowest)
            lacked = lacked + outside * (y - at_once)
        store(made, (n - first) * LANES, ratio * y)
    if counts:
        store(state, LIMITED, limited)
    return lacked


@compiled
def _couple(count: int, lanes: Doubles, state: Doubles, made: Doubles) -> tuple[Any, Any]:
    """As half_wave_kernels.couple, in made; return largest and smallest signal behind the capacitor."""
    most, least = everywhere(-CONDUCTS), everywhere(CONDUCTS)
    coupled, drawn, below = load(lanes, _COUPLED), load(lanes, _COUPLED_LOW), load(lanes, _BELOW)
    across, nothing = load(state, _ACROSS), everywhere(0.0)
    for k in range(count):
        x = load(made, k * LANES) - across
        across = across + (coupled * x + drawn * min(x - below, nothing))
        most, least = max(most, x), min(least, x)
        store(made, k * LANES, x)
    store(state, _ACROSS, across)
    return most, least


@compiled
def _fold(count: int, lanes: Doubles, made: Doubles) -> Any:
    """As half_wave_kernels.fold, in made; return the largest of both half waves."""
    top = everywhere(-CONDUCTS)
    for k in range(count):
        x = load(made, k * LANES)
        upper, lower = _upper(x, lanes), _lower(x, lanes)
        store(made, k * LANES, upper)
        store(made, DOWN_ROOM + k * LANES, lower)
        larger = max(upper, lower)
        top = max(top, larger)
    return top


@compiled
def _crossed(out: Any, x: Any, lanes: Doubles) -> Any:
    """As half_wave_kernels.cross where x is above zero: (output, share in which it passes)."""
    nothing, whole, conducts = everywhere(0.0), everywhere(1.0), everywhere(CONDUCTS)
    if not any_above(either(out, conducts, x, nothing), 0.0):
        return out, either(out, conducts, nothing, whole)
    positive = max(x, nothing)
    move = min(load(lanes, _FIRST_STEP) * positive, load(lanes, _FIRST_MOST))
    after = out + move
    drop = load(lanes, _FIRST_SLOPE) * logarithm(whole + positive * load(lanes, _FIRST_KNEE))
    arrived = either(after, drop, nothing, lesser((after - drop) / move, whole))
    moved = either(after, drop, after, conducts)
    return either(out, conducts, moved, conducts), either(out, conducts, arrived, whole)


@compiled
def _fold_crossing(count: int, lanes: Doubles, state: Doubles, made: Doubles) -> Any:
    """As _fold behind a first amplifier with two diodes, half_wave_kernels.pass_first."""
    top, nothing, out = everywhere(-CONDUCTS), everywhere(0.0), load(state, _FIRST_OUT)
    steeper, far = load(lanes, _UP_GAIN) + load(lanes, _DOWN_GAIN), load(lanes, _FIRST_FAR)
    for k in range(count):
        x = load(made, k * LANES)
        lower = _lower(x, lanes)
        passed = lower
        if any_above(x, 0.0):
            after, passes = _crossed(out, x, lanes)
            upper = max(_upper(x, lanes) - steeper * max(x - far, nothing), load(lanes, _UP_LOW))
            passed = either(nothing, x, lower + passes * (upper - lower), lower)
            out = either(nothing, x, after, nothing)
        else:
            out = nothing
        store(made, k * LANES, passed)
        store(made, DOWN_ROOM + k * LANES, lower)
        larger = max(passed, lower)
        top = max(top, larger)
    store(state, _FIRST_OUT, out)
    return top


@compiled
def first_is_settled(
    most: float, least: float, loudest: float, at: Any, lanes: Doubles, state: Doubles
) -> bool:
    """Whether first amplifiers with two diodes stay through a piece what they are at its beginning.

    most, least, loudest: as tops_of. Below zero they are at the other diode, and the state says so; above it
    they conduct if they did.
    """
    noise = load(lanes, NOISE_SIZE) * everywhere(loudest)
    if not any_above(everywhere(most) + at + noise, 0.0):
        store(state, _FIRST_OUT, everywhere(0.0))
        return True
    conduct: bool = smallest(load(state, _FIRST_OUT)) >= CONDUCTS
    positive: bool = smallest(everywhere(least) + at - noise) > 0.0
    return conduct and positive


@compiled
def make_half_waves(
    count: int,
    lanes: Doubles,
    kind: Kind,
    state: Doubles,
    made: Doubles,
    may_bleed: bool,
    below: Any,
) -> Any:
    """Set both half waves of a piece in made, where the boards' outputs stand; return what none exceeds.

    may_bleed: whether half waves that all stay under below, V, may be left out.
    """
    coupled, crosses, _, _ = kind
    if coupled:
        most, least = _couple(count, lanes, state, made)
        bound = max(_upper(most, lanes), _lower(least, lanes))
        if may_bleed and not crosses and not any_above(bound - below, 0.0):
            return bound
    if crosses:
        return _fold_crossing(count, lanes, state, made)
    return _fold(count, lanes, made)


@compiled
def make_in_full(
    signals: Signals,
    lacks: float,
    first: int,
    last: int,
    free: bool,
    at: Any,
    drift: Any,
    group: Group,
    kind: Kind,
    room: Room,
    may_bleed: bool,
    below: Any,
) -> tuple[Any, Any]:
    """Set the half waves of a piece in room, with limits, coupling capacitor and first amplifier.

    Returns what none of them exceeds, and the drift of what limits left on capacitors, over ρ. lacks: what
    the nominal limits took of the piece. below: as make_half_waves.
    """
    lanes, _, state = group
    made, drive = room
    x, quick, noise, over, noisy = signals
    lacked = hear(x, quick, noise, noisy, over, first, last, lanes, not free, at, state, made)
    if not free:
        left, left0 = load(state, LEFT), load(state, LEFT0)
        after, after0 = left_after(lanes, lacked, lacks, PIECE / TILE, left, left0)
        drift = (after - after0) - (left - left0)
        store(state, LEFT, after)
        store(state, LEFT0, after0)
    bound = make_half_waves(last - first, lanes, kind, state, made, may_bleed, below)
    narrowed(last - first, made, drive)
    return bound, drift
