"""Many diodes with their capacitors on one signal, side by side in the processor's vector lanes.

The step is that of diode_kernels. A table would have to be read lane by lane, so ω comes from arithmetic: its
logarithm L, which is x − ω, to 1.3e-3 as a quotient of polynomials; e^L; and one step of Fritsch, Shafer and
Crowley [Fritsch1973], which leaves at most 2/72 of the error's fourth power. Below x = −4, where the diode
hardly conducts, ω is a polynomial in e^x. Music leaves most silicon diodes there most of the time, so the
rest is computed only if some lane needs it. What a lane gets does not depend on its neighbours.

The polynomials were fitted once, to spread their error evenly; ω comes out to 1e-13 of its value.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.vector_kernels import (
    LANES,
    any_above,
    either,
    everywhere,
    exponent,
    load,
    mantissa,
    store,
    times_two_to,
)
from envlab.units import FloatArray, IntArray

# Below this ω is less than 5e-18: no current that anybody could tell from none.
LOWEST = -40.0
KNEE = -4.0
FAR = 40.0
# Added to a smaller number, this leaves the nearest whole number in the last bits.
_ROUND = 1.5 * 2.0**52
_LOG2_E = 1.4426950408889634
_LN_2 = 0.6931471805599453


@compiled
def _exponential(x: Any) -> Any:
    """e^x for −700 < x < 700: 2^k·e^f, and a polynomial for |f| ≤ ln 2/2."""
    shifted = x * everywhere(_LOG2_E) + everywhere(_ROUND)
    f = x - (shifted - everywhere(_ROUND)) * everywhere(_LN_2)
    f2 = f * f
    ones = everywhere(1.0000000000000127) + everywhere(0.999999999999887) * f
    twos = everywhere(0.4999999999945973) + everywhere(0.16666666667886124) * f
    fours = everywhere(0.04166666703187711) + everywhere(0.008333332984852984) * f
    sixes = everywhere(0.0013888802901218028) + everywhere(0.00019841616554803487) * f
    eights = everywhere(2.4883982408721066e-05) + everywhere(2.7474712843089027e-06) * f
    high = (fours + f2 * sixes) + (f2 * f2) * eights
    return times_two_to((ones + f2 * twos) + (f2 * f2) * high, shifted)


@compiled
def _below_knee(e: Any) -> Any:
    """ω(x) from e = e^x, x ≤ −4: its series e − e² + 3/2·e³ …, cut short and bent to fit."""
    e2 = e * e
    ones = everywhere(0.9999999999999967) + everywhere(-0.9999999999799125) * e
    twos = everywhere(1.499999982350213) + everywhere(-2.666660844064605) * e
    fours = everywhere(5.207416081941584) + everywhere(-10.725388866639376) * e
    return e * ((ones + e2 * twos) + (e2 * e2) * (fours + e2 * everywhere(20.28887444010392)))


@compiled
def _logarithm(x: Any) -> Any:
    """ln ω(x) to 1.3e-3, −4 ≤ x ≤ 40."""
    x2 = x * x
    ones = everywhere(-0.5676136048715786) + everywhere(0.4833699268449077) * x
    twos = everywhere(0.07076003526736299) + everywhere(0.012158040796367255) * x
    above = ones + x2 * (twos + x2 * everywhere(2.642878600054911e-05))
    twos = everywhere(0.049572589272611385) + everywhere(0.0028276003683309603) * x
    return above / ((everywhere(1.0) + everywhere(0.26991852173223885) * x) + x2 * twos)


@compiled
def _far_logarithm(x: Any) -> Any:
    """ln ω(x) to 1e-3, x ≥ 40: l − l/x − l·(l − 2)/(2x²) …, and l = ln x from the parts of the number."""
    m = mantissa(x)
    ln_m = everywhere(-0.7117269265482593) + everywhere(0.1058437718781029) * m
    ln_m = everywhere(-1.4807232331628217) + m * (everywhere(2.087178555061352) + m * ln_m)
    ln_x = exponent(x) * everywhere(_LN_2) + ln_m
    share = everywhere(1.0) / x
    half = everywhere(0.5) * ln_x - everywhere(1.0)
    return ln_x - ln_x * (share + (share * share) * half)


@compiled
def omega_lanes(x: Any) -> Any:
    """ω(x) of a vector, x < 1e9."""
    x = max(x, everywhere(LOWEST))
    knee = everywhere(KNEE)
    if not any_above(x, KNEE):
        return _below_knee(_exponential(x))
    log = either(x, knee, x, _logarithm(x))
    if any_above(x, FAR):
        log = either(x, everywhere(FAR), log, _far_logarithm(x))
    z = _exponential(log)
    r = x - z - log
    p = everywhere(1.0) + z
    q = p * (p + everywhere(2.0 / 3.0) * r)
    nearer = z + z * ((r * (q - everywhere(0.5) * r)) / (p * (q - r)))
    return either(x, knee, _below_knee(z), nearer)


@compiled
def _hold_group(
    signal_v: FloatArray,
    lanes: FloatArray,
    state: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> None:
    """Run one group over a block; set state (2·LANES,) and out (readings · LANES,)."""
    passed, x0 = load(lanes, 0), load(lanes, LANES)
    x_of_v, x_of_offered = load(lanes, 2 * LANES), load(lanes, 3 * LANES)
    most, v_fixed = load(lanes, 4 * LANES), load(lanes, 5 * LANES)
    v_of_v, v_of_offered = load(lanes, 6 * LANES), load(lanes, 7 * LANES)
    v_of_y, over = load(lanes, 8 * LANES), load(lanes, 9 * LANES)
    across_fixed, across_of_y = load(lanes, 10 * LANES), load(lanes, 11 * LANES)
    leaked_back = load(lanes, 12 * LANES)
    v, across = load(state, 0), load(state, LANES)
    reading = 0
    for n in range(signal_v.size):
        before = v
        signal = everywhere(signal_v[n])
        offered = passed * (signal - across) + leaked_back * v
        y = min(omega_lanes(x_of_v * v + (x_of_offered * offered + x0)), most)
        v = (v_of_v * v + (v_of_offered * offered + v_fixed)) + v_of_y * y
        across = (across + over * (signal - offered - across)) + (across_of_y * y + across_fixed)
        while reading < upper.size and upper[reading] == n:
            store(out, reading * LANES, before + everywhere(fraction[reading]) * (v - before))
            reading += 1
    store(state, 0, v)
    store(state, LANES, across)


@compiled
def hold_diodes(
    signal_v: FloatArray,
    lanes: FloatArray,
    start: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Run all groups over a block; return (v at the readings, state at the end).

    lanes: shape (groups, numbers, LANES). start: shape (groups, 2, LANES), held and across the coupling
    capacitor. upper: rising indices into signal_v at which a reading lies between output upper − 1 and upper;
    fraction: how far it lies towards upper, 0 to 1. v at the readings: shape (groups, readings, LANES).
    """
    state = start.copy()
    read_v = np.empty((lanes.shape[0], upper.size, LANES))
    for g in range(lanes.shape[0]):
        out = read_v[g].reshape(-1)
        _hold_group(signal_v, lanes[g].reshape(-1), state[g].reshape(-1), upper, fraction, out)
    return read_v, state
