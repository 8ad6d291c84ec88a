"""Many hold capacitors behind rectifiers with amplifiers, side by side in the processor's vector lanes.

The step is that of half_wave_kernels; its logarithm is a polynomial, 1e-10 off. Where in a whole tile no half
wave comes up to any capacitor, and all amplifiers have run to their lowest output, nothing but bleed happens,
and eight samples are one multiply and add. That is so most of the time.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.diode_lane_kernels import omega_lanes
from envlab.analog.kernels.half_waves.half_wave_kernels import CONDUCTS, MOST_U, TILE, top_of
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.vector_kernels import (
    LANES,
    any_above,
    either,
    everywhere,
    exponent,
    load,
    mantissa,
    smallest,
    store,
)
from envlab.units import FloatArray, IntArray

_LN_2 = 0.6931471805599453


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
def leak_lanes(v: Any, low: Any, per_slope: Any, saturation: Any, per_leak: Any, drawn: Any) -> Any:
    """As half_wave_kernels.leak_v."""
    across = v - low
    u = min(max(across * per_slope, everywhere(0.0)), everywhere(MOST_U))
    r = (everywhere(1.0) - u * everywhere(1.0 / 16.0)) + u * u * everywhere(1.0 / 512.0)
    r2 = r * r
    r4 = r2 * r2
    r8 = r4 * r4
    return (drawn + saturation * (everywhere(1.0) - r8 * r8)) + across * per_leak


@compiled
def follow_lanes(
    out: Any,
    offered: Any,
    node: Any,
    low: Any,
    high: Any,
    per_step: Any,
    most_step: Any,
    slope: Any,
    per_knee: Any,
    series: Any,
) -> Any:
    """As half_wave_kernels.follow."""
    nothing, conducts = everywhere(0.0), everywhere(CONDUCTS)
    over = offered - node
    move = min(max(per_step * over, nothing - most_step), most_step)
    falls = max(min(out, node) + move, low)
    if not any_above(over, 0.0):
        return falls, nothing
    whole = everywhere(1.0)
    share = either(out, conducts, nothing, whole)
    after = out + move
    # Only an output that has come past its node can have a diode that begins to conduct.
    near = either(nothing, over, after - min(node, high), nothing - whole)
    if any_above(either(out, conducts, near, nothing - whole), 0.0):
        z = whole + max(over, nothing) * per_knee
        asked = min((node + slope * logarithm(z)) + series * over, high)
        share = either(out, conducts, min(max((after - asked) / move, nothing), whole), whole)
    rising = either(nothing, share, conducts, after)
    return either(nothing, over, rising, falls), either(nothing, over, share, nothing)


@compiled
def offered_lanes(share: Any, lower_share: Any, up: Any, down: Any) -> Any:
    """The half wave whose amplifier conducts; of two the larger one."""
    nothing = everywhere(0.0)
    offered = either(nothing, share, up, down)
    return either(nothing, lower_share, max(offered, down), offered)


@compiled
def read_bleeding(
    v: Any,
    bleed: Any,
    leak: Any,
    first: int,
    last: int,
    reading: int,
    due: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> int:
    """Set what is read from first to before last while the capacitors only bleed; return the next reading.

    due: rising sample indices; fraction: 0 to 1, how far from the step before; out: V, a lane each, set here.
    """
    n = first
    while reading < due.size and due[reading] < last:
        while n < due[reading]:
            v = bleed * v - leak
            n += 1
        now = bleed * v - leak
        store(out, reading * LANES, v + everywhere(fraction[reading]) * (now - v))
        reading += 1
    return reading


@compiled
def _hold_group(
    upper_v: FloatArray,
    lower_v: FloatArray,
    tops_v: FloatArray,
    lanes: FloatArray,
    state: FloatArray,
    due: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> None:
    """Run one group over a block; set state (3·LANES,) and out (readings · LANES,)."""
    keep, gain, bleed = load(lanes, 0), load(lanes, LANES), load(lanes, 2 * LANES)
    low, high = load(lanes, 3 * LANES), load(lanes, 4 * LANES)
    per_step, most_step = load(lanes, 5 * LANES), load(lanes, 6 * LANES)
    slope, per_knee, series = load(lanes, 7 * LANES), load(lanes, 8 * LANES), load(lanes, 9 * LANES)
    per_slope, saturation = load(lanes, 10 * LANES), load(lanes, 11 * LANES)
    per_leak, drawn = load(lanes, 12 * LANES), load(lanes, 13 * LANES)
    safe_v = smallest(load(lanes, 14 * LANES))
    cap_scale, cap_shift = load(lanes, 15 * LANES), load(lanes, 16 * LANES)
    cap_out, cap_fixed = load(lanes, 17 * LANES), load(lanes, 18 * LANES)
    drops, lifted = load(lanes, 19 * LANES), load(lanes, 20 * LANES)
    bleed_tile, leaks_tile = load(lanes, 21 * LANES), load(lanes, 22 * LANES)
    nothing, conducts = everywhere(0.0), everywhere(CONDUCTS)
    v, upper_out, lower_out = load(state, 0), load(state, LANES), load(state, 2 * LANES)
    reading = 0
    at_lowest = not any_above(max(upper_out, lower_out) - low, 0.0)
    for tile in range(tops_v.size):
        first, last = tile * TILE, min(tile * TILE + TILE, upper_v.size)
        leak = leak_lanes(v, low, per_slope, saturation, per_leak, drawn)
        dropped = drops * leak - lifted
        if at_lowest and last - first == TILE:
            after = bleed_tile * v - leaks_tile * leak
            if not any_above(everywhere(tops_v[tile]) - (min(v, after) - dropped), 0.0):
                reading = read_bleeding(v, bleed, leak, first, last, reading, due, fraction, out)
                v = after
                continue
        for n in range(first, last):
            upper, lower = upper_v[n], lower_v[n]
            up, down = everywhere(upper), everywhere(lower)
            at = v - dropped
            node = either(lower_out, conducts, at, max(at, down)) if lower > upper else at
            upper_after, share = follow_lanes(
                upper_out, up, node, low, high, per_step, most_step, slope, per_knee, series
            )
            node = either(upper_out, conducts, at, max(at, up)) if upper >= lower else at
            lower_out, lower_share = follow_lanes(
                lower_out, down, node, low, high, per_step, most_step, slope, per_knee, series
            )
            upper_out = upper_after
            before = v
            v = bleed * v - leak
            either_share = max(share, lower_share)
            if any_above(either_share, 0.0):
                offered = offered_lanes(share, lower_share, up, down)
                if max(upper, lower) > safe_v:
                    y = omega_lanes(cap_scale * (high - before) + cap_shift)
                    offered = min(offered, (before + cap_out * y) - cap_fixed)
                v = v + either_share * max((keep * before + gain * (offered - lifted)) - v, nothing)
            while reading < due.size and due[reading] == n:
                store(out, reading * LANES, before + everywhere(fraction[reading]) * (v - before))
                reading += 1
        at_lowest = not any_above(max(upper_out, lower_out) - low, 0.0)
    store(state, 0, v)
    store(state, LANES, upper_out)
    store(state, 2 * LANES, lower_out)


@compiled
def tops_of(upper_v: FloatArray, lower_v: FloatArray) -> FloatArray:
    """Return the largest of both half waves in each tile, V."""
    tops_v = np.empty((upper_v.size + TILE - 1) // TILE)
    for tile in range(tops_v.size):
        tops_v[tile] = top_of(upper_v, lower_v, tile * TILE)
    return tops_v


@compiled
def hold_lanes(
    upper_v: FloatArray,
    lower_v: FloatArray,
    lanes: FloatArray,
    start: FloatArray,
    due: IntArray,
    fraction: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Run all groups over a block that begins with a tile; return (v at the readings, state at the end).

    lanes: shape (groups, numbers, LANES). start: shape (groups, 3, LANES): held, outputs of the upper and the
    lower amplifier. due: rising indices at which a reading lies between output due − 1 and due; fraction: how
    far towards due. v at the readings: shape (groups, readings, LANES).
    """
    state, tops_v = start.copy(), tops_of(upper_v, lower_v)
    read_v = np.empty((lanes.shape[0], due.size, LANES))
    for g in range(lanes.shape[0]):
        out = read_v[g].reshape(-1)
        _hold_group(upper_v, lower_v, tops_v, lanes[g].reshape(-1), state[g].reshape(-1), due, fraction, out)
    return read_v, state
