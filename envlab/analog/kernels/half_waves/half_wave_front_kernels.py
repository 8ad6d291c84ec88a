"""Many boards of one design in vector lanes: what each board's own preamp and rectifier make of a piece.

The nominal board's preamp output before its limits, x, is there already; what a board does differently is
that of tolerance_kernels. From there on all is in the board's own volts: coupling capacitor, both half waves,
a first amplifier with two diodes. Slow voltages stand still for a piece of eight samples.

In volts, of whatever name: x, at, y, across, out; over ρ, the board's gain against the nominal one: x, noise,
at. made: room for both half waves of a piece, V. state, lanes: of one group.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.half_waves.half_wave_kernels import CONDUCTS
from envlab.analog.kernels.half_waves.half_wave_kernels import TILE as PIECE
from envlab.analog.kernels.half_waves.half_wave_lane_kernels import logarithm
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.tolerance_kernels import ROWS as FRONT_ROWS
from envlab.analog.kernels.tolerance_kernels import STATES as FRONT_STATES
from envlab.analog.kernels.vector_kernels import (
    LANES,
    above,
    any_above,
    either,
    everywhere,
    lesser,
    load,
    smallest,
    store,
)
from envlab.units import FloatArray

# Whether there is a coupling capacitor, a first amplifier with two diodes, one amplifier for both half waves,
# and whether that only gives.
Kind = tuple[bool, bool, bool, bool]
# Rows of a group's lanes: those of tolerance_kernels, of which the first six are the detector's; then these.
ROWS = (
    *FRONT_ROWS,
    "ratio",
    *("output_low", "output_high", "per_step", "most_step", "slope", "per_knee", "series", "per_slope"),
    *("saturation", "per_leak", "drawn", "safe", "cap_scale", "cap_shift", "cap_out", "cap_fixed"),
    *("drops", "lifted"),
    *("bleed_piece", "leaks_piece"),
    *("up_gain", "up_error", "up_low", "up_high", "down_gain", "down_error", "down_low", "down_high"),
    *("coupled", "coupled_low", "below"),
    *("first_step", "first_most_step", "first_slope", "first_knee", "first_far"),
)
CHARGE, BLEED, GAIN = 0, LANES, 5 * LANES
_NOISE, NOISE_SIZE, _LOW, _HIGH, FREE = (LANES * row for row in (6, 7, 9, 10, 11))
SLOW_Q, NOMINAL_Q, LEG, NOMINAL_LEG = (LANES * row for row in (13, 15, 17, 18))
(
    _RATIO, OUTPUT_LOW, OUTPUT_HIGH, PER_STEP, MOST_STEP, SLOPE, PER_KNEE, SERIES, PER_SLOPE,
    SATURATION, PER_LEAK, DRAWN, SAFE, CAP_SCALE, CAP_SHIFT, CAP_OUT, CAP_FIXED, DROPS, LIFTED, BLEED_PIECE,
    LEAKS_PIECE, _UP_GAIN, _UP_ERROR, _UP_LOW, _UP_HIGH, _DOWN_GAIN, _DOWN_ERROR, _DOWN_LOW, _DOWN_HIGH,
    _COUPLED, _COUPLED_LOW, _BELOW, _FIRST_STEP, _FIRST_MOST, _FIRST_SLOPE, _FIRST_KNEE, _FIRST_FAR,
) = (LANES * row for row in range(19, 56))  # fmt: skip
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
def extremes_of(signal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Largest and smallest of each piece, the last one perhaps not whole; in the units of the signal."""
    pieces = (signal.size + PIECE - 1) // PIECE
    high, low = np.empty(pieces), np.empty(pieces)
    for piece in range(pieces):
        most, least = signal[piece * PIECE], signal[piece * PIECE]
        for n in range(piece * PIECE, min(piece * PIECE + PIECE, signal.size)):
            most, least = max(most, signal[n]), min(least, signal[n])
        high[piece], low[piece] = most, least
    return high, low


@compiled
def _upper(x: Any, lanes: FloatArray) -> Any:
    made = load(lanes, _UP_ERROR) + load(lanes, _UP_GAIN) * x
    return min(max(made, load(lanes, _UP_LOW)), load(lanes, _UP_HIGH))


@compiled
def _lower(x: Any, lanes: FloatArray) -> Any:
    made = load(lanes, _DOWN_ERROR) - load(lanes, _DOWN_GAIN) * x
    return min(max(made, load(lanes, _DOWN_LOW)), load(lanes, _DOWN_HIGH))


@compiled
def bound_of(most: float, least: float, loudest: float, at: Any, lanes: FloatArray) -> Any:
    """What no half wave of a piece exceeds whose x lies from least to most, its noise within ± loudest."""
    ratio, noise = load(lanes, _RATIO), load(lanes, NOISE_SIZE) * everywhere(loudest)
    upper = _upper(ratio * (everywhere(most) + at + noise), lanes)
    return max(upper, _lower(ratio * (everywhere(least) + at - noise), lanes))


@compiled
def hear(
    x: FloatArray,
    quick: FloatArray,
    noise: FloatArray,
    over: FloatArray,
    first: int,
    last: int,
    lanes: FloatArray,
    counts: bool,
    at: Any,
    state: FloatArray,
    made: FloatArray,
) -> Any:
    """Set the boards' own outputs in made; return what limits took of them, over ρ, summed.

    quick: nominal output before the preamp's bandwidth, shape (n,), V.
    counts: whether a lane may meet a limit; where it does, the state's count of such samples grows.
    """
    ratio, own_noise = load(lanes, _RATIO), load(lanes, _NOISE)
    low_v, high_v, limited = load(lanes, _LOW), load(lanes, _HIGH), load(state, LIMITED)
    lacked = everywhere(0.0)
    for n in range(first, last):
        more = at
        if noise.size:
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
def _couple(count: int, lanes: FloatArray, state: FloatArray, made: FloatArray) -> tuple[Any, Any]:
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
def _fold(count: int, lanes: FloatArray, made: FloatArray) -> Any:
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
def _crossed(out: Any, x: Any, lanes: FloatArray) -> Any:
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
def _fold_crossing(count: int, lanes: FloatArray, state: FloatArray, made: FloatArray) -> Any:
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
    most: float, least: float, loudest: float, at: Any, lanes: FloatArray, state: FloatArray
) -> bool:
    """Whether first amplifiers with two diodes stay through a piece what they are at its beginning.

    most, least, loudest: as bound_of. Below zero they are at the other diode, and the state says so; above it
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
    lanes: FloatArray,
    kind: Kind,
    state: FloatArray,
    made: FloatArray,
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
