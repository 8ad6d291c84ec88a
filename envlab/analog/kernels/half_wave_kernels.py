"""One rectifier with amplifiers and its hold capacitor, sample by sample; imported where it is used.

What a half wave makes of a sample holds over the sample's interval, and so does what the amplifier with the
diode in its loop sees of it. Its output therefore moves in a straight line, and the moment at which its diode
conducts is known within the interval: no smaller step is needed.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from envlab.analog.kernels.diode_kernels import omega
from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray

# Stands for the output of an amplifier whose diode conducts; it is where the loop needs it, V.
CONDUCTS = 1e3
# Samples for which the leakage of blocked diodes is taken as constant, counted from the beginning.
TILE = 8
# An exponential is the power of a polynomial: (1 − u/16 + u²/512)^16 is e^−u to 1e-3.
_MOST_U = 16.0


@compiled
def leak_v(
    held_v: float, low_v: float, per_slope: float, saturation_v: float, per_leak: float, drawn_v: float
) -> Any:
    """Volts a step that blocked diodes and inputs take from the capacitor; u = (held − low)/slope."""
    across = held_v - low_v
    u = min(max(across * per_slope, 0.0), _MOST_U)
    r = 1.0 - u * (1.0 / 16.0) + u * u * (1.0 / 512.0)
    r2 = r * r
    r4 = r2 * r2
    r8 = r4 * r4
    return (drawn_v + saturation_v * (1.0 - r8 * r8)) + across * per_leak


@compiled
def follow(
    out: float,
    offered: float,
    node: float,
    low_v: float,
    high_v: float,
    per_step: float,
    most_step_v: float,
    slope_v: float,
    per_knee: float,
    series: float,
) -> tuple[float, float]:
    """One step of an amplifier with a diode in its loop: (output at its end, share in which it conducts)."""
    over = offered - node
    move = min(max(per_step * over, -most_step_v), most_step_v)
    if over <= 0.0:
        return max(min(out, node) + move, low_v), 0.0
    if out >= CONDUCTS:
        return CONDUCTS, 1.0
    asked = min(node + slope_v * math.log1p(over * per_knee) + series * over, high_v)
    after = out + move
    if after < asked:
        return after, 0.0
    return CONDUCTS, min(1.0, (after - asked) / move)


@compiled
def cross(
    out: float, x: float, per_step: float, most_step_v: float, slope_v: float, per_knee: float
) -> tuple[float, float]:
    """One step of a first amplifier with two diodes: (output, share in which the upper half wave passes).

    Below zero its other diode conducts, less and less towards zero: from there it has to cross.
    """
    if x <= 0.0:
        return 0.0, 0.0
    if out >= CONDUCTS:
        return CONDUCTS, 1.0
    move = min(per_step * x, most_step_v)
    after, drop = out + move, slope_v * math.log1p(x * per_knee)
    if after < drop:
        return after, 0.0
    return CONDUCTS, min(1.0, (after - drop) / move)


@compiled
def couple(signal_v: FloatArray, coupled: float, coupled_low: float, across: float) -> FloatArray:
    """The signal behind its coupling capacitor, as hold_half_waves takes it; across: V on it before."""
    behind_v = np.empty_like(signal_v)
    for n in range(signal_v.size):
        x = signal_v[n] - across
        across += (coupled if x > 0.0 else coupled_low) * x
        behind_v[n] = x
    return behind_v


@compiled
def hold_half_waves(
    signal_v: FloatArray, sides: FloatArray, numbers: FloatArray, table: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Follow a block; return (held_v, end state).

    sides, numbers: as rectifiers.half_wave_circuit gives them. start: (held, coupling capacitor, output of
    the upper, lower and first amplifier, samples since the leakage was taken, leakage a step), V.
    """
    from_gain, from_error, from_low, from_high, to_gain, to_error, to_low, to_high = sides
    (
        keep, gain, bleed, low_v, high_v, per_step, most_step_v, slope_v, per_knee, series,
        per_slope, saturation_v, per_leak, drawn_v, safe_v, cap_scale, cap_shift, cap_out, cap_fixed,
        coupled, coupled_low, joined, first_step, first_most_v, first_knee, first_far_v,
    ) = numbers  # fmt: skip
    held_v = np.empty_like(signal_v)
    v, across, upper_out, lower_out, first_out, phase, leak = start
    for n in range(signal_v.size):
        if phase == 0.0:
            leak = leak_v(v, low_v, per_slope, saturation_v, per_leak, drawn_v)
        phase = phase + 1.0 if phase < TILE - 1 else 0.0
        x = signal_v[n] - across
        across += (coupled if x > 0.0 else coupled_low) * x
        upper, lower = from_gain * x + from_error, to_error - to_gain * x
        lower = min(max(lower, to_low), to_high)
        if first_knee > 0.0:
            upper -= (from_gain + to_gain) * max(x - first_far_v, 0.0)
            first_out, passes = cross(first_out, x, first_step, first_most_v, slope_v, first_knee)
            upper = lower + passes * (min(max(upper, from_low), from_high) - lower)
        else:
            upper = min(max(upper, from_low), from_high)
        if joined > 0.0:
            upper = max(upper, lower)
            lower = -CONDUCTS
        # Of two that would conduct the larger one holds the node, and thereby blocks the other.
        node = max(v, lower) if lower_out >= CONDUCTS and lower > upper else v
        after, upper_share = follow(
            upper_out, upper, node, low_v, high_v, per_step, most_step_v, slope_v, per_knee, series
        )
        node = max(v, upper) if upper_out >= CONDUCTS and upper >= lower else v
        lower_out, lower_share = follow(
            lower_out, lower, node, low_v, high_v, per_step, most_step_v, slope_v, per_knee, series
        )
        upper_out = after
        share = max(upper_share, lower_share)
        bled = bleed * v - leak
        if share > 0.0:
            offered = upper if upper_share > 0.0 else lower
            if lower_share > 0.0:
                offered = max(offered, lower)
            if offered > safe_v:
                y = omega(cap_scale * (high_v - v) + cap_shift, table)
                offered = min(offered, v + cap_out * y - cap_fixed)
            bled += share * max(keep * v + gain * offered - bled, 0.0)
        v = bled
        held_v[n] = v
    return held_v, np.array([v, across, upper_out, lower_out, first_out, phase, leak])
