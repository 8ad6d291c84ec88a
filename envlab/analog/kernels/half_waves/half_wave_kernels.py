"""Rectifiers with amplifiers and their hold capacitor, sample by sample; imported where they are used.

What a half wave makes of a sample holds over the sample's interval, and so does what the amplifier with the
diode in its loop sees of it. Its output therefore moves in a straight line, and the moment at which its diode
conducts is known within the interval: no smaller step is needed.

In volts, of whatever name: signal, x, out, offered, node, across, state. per_step: volts that an output moves
in a step for each volt at its input. per_knee, series: by which volts over an attack resistor are a share of
the diode's saturation, and of the drop. per_slope: 1 over the diode's slope in V. per_leak, keep, gain,
bleed, coupled, coupled_low: shares of a voltage that a step takes or leaves. drops: by which the leakage of a
step is what it drops over the attack resistor; lifted: less that of what does not flow through it. first,
sides, numbers, table: several of these, as rectifiers.half_wave_circuit gives them; first also counts
samples.
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
MOST_U = 16.0


@compiled
def cross(
    out: float, x: float, per_step: float, most_step_v: float, slope_v: float, per_knee: float
) -> tuple[float, float]:
    """One step of a first amplifier with two diodes: (output, share in which the upper half wave passes).

    x: above zero. Below it the other diode conducts, less and less towards zero: from there it has to cross.
    """
    if out >= CONDUCTS:
        return CONDUCTS, 1.0
    move = min(per_step * x, most_step_v)
    after, drop = out + move, slope_v * math.log1p(x * per_knee)
    if after < drop:
        return after, 0.0
    return CONDUCTS, min(1.0, (after - drop) / move)


@compiled
def couple(
    signal_v: FloatArray, coupled: float, drawn: float, drawn_below_v: float, across: float
) -> tuple[FloatArray, float]:
    """The signal behind its coupling capacitor, and V across that at the end.

    coupled: share of the signal that a step puts onto the capacitor; drawn: the same of what is missing to
    drawn_below_v.
    """
    behind_v = np.empty_like(signal_v)
    for n in range(signal_v.size):
        x = signal_v[n] - across
        across += coupled * x + drawn * min(x - drawn_below_v, 0.0)
        behind_v[n] = x
    return behind_v, across


@compiled
def fold(signal_v: FloatArray, sides: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Both half waves, V above the node. sides: gain, error, pedestal and ceiling of the upper, the lower."""
    up_gain, up_error, up_low, up_high, down_gain, down_error, down_low, down_high = sides
    upper_v, lower_v = np.empty_like(signal_v), np.empty_like(signal_v)
    for n in range(signal_v.size):
        upper_v[n] = min(max(up_error + up_gain * signal_v[n], up_low), up_high)
        lower_v[n] = min(max(down_error - down_gain * signal_v[n], down_low), down_high)
    return upper_v, lower_v


@compiled
def pass_first(
    signal_v: FloatArray,
    upper_v: FloatArray,
    lower_v: FloatArray,
    sides: FloatArray,
    first: FloatArray,
    out: float,
) -> tuple[FloatArray, float]:
    """The upper half wave as a first amplifier with two diodes lets it through, and its output at the end.

    first: what it moves in a step for each volt and at most, slope and inverse knee of its diodes, and the
    largest signal that it follows.
    """
    per_step, most_step_v, slope_v, per_knee, far_v = first
    steeper = sides[0] + sides[4]
    passed_v = np.empty_like(upper_v)
    for n in range(signal_v.size):
        x = signal_v[n]
        passed_v[n] = lower_v[n]
        if x > 0.0:
            out, passes = cross(out, x, per_step, most_step_v, slope_v, per_knee)
            if passes > 0.0:
                upper = max(upper_v[n] - steeper * max(x - far_v, 0.0), sides[2])
                passed_v[n] += passes * (upper - lower_v[n])
        else:
            out = 0.0
    return passed_v, out


@compiled
def leak_v(
    held_v: float, low_v: float, per_slope: float, saturation_v: float, per_leak: float, drawn_v: float
) -> Any:
    """Volts a step that blocked diodes and inputs take from the capacitor; u = (held − low)/slope."""
    across = held_v - low_v
    u = min(max(across * per_slope, 0.0), MOST_U)
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
    after = out + move
    if after < min(node, high_v):
        return after, 0.0
    asked = min(node + slope_v * math.log1p(over * per_knee) + series * over, high_v)
    if after < asked:
        return after, 0.0
    return CONDUCTS, min(1.0, (after - asked) / move)


@compiled
def top_of(upper_v: FloatArray, lower_v: FloatArray, first: int) -> Any:
    """Largest of both half waves in the tile, or what is left of it, that begins at first, V."""
    top = upper_v[first]
    for n in range(first, min(first + TILE, upper_v.size)):
        top = max(top, upper_v[n])
        top = max(top, lower_v[n])
    return top


@compiled
def hold_half_waves(
    upper_v: FloatArray, lower_v: FloatArray, numbers: FloatArray, table: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Follow a block; return (held_v, end state).

    numbers: as rectifiers.half_wave_circuit gives them. start: (held, outputs of the upper and the lower
    amplifier, samples since the leakage was taken, leakage a step), V.
    """
    (
        keep, gain, bleed, low_v, high_v, per_step, most_step_v, slope_v, per_knee, series, per_slope,
        saturation_v, per_leak, drawn_v, safe_v, cap_scale, cap_shift, cap_out, cap_fixed, drops, lifted,
    ) = numbers  # fmt: skip
    held_v = np.empty_like(upper_v)
    v, upper_out, lower_out, phase, leak = start
    n = 0
    while n < upper_v.size:
        if phase == 0.0:
            leak = leak_v(v, low_v, per_slope, saturation_v, per_leak, drawn_v)
            if upper_out <= low_v and lower_out <= low_v and n + TILE <= upper_v.size:
                # Where nothing comes up to the capacitor in a whole tile, it bleeds and no output moves.
                bled = v
                for k in range(TILE):
                    bled = bleed * bled - leak
                    held_v[n + k] = bled
                if top_of(upper_v, lower_v, n) <= min(v, bled) - (drops * leak - lifted):
                    v = bled
                    n += TILE
                    continue
        phase = phase + 1.0 if phase < TILE - 1 else 0.0
        upper, lower = upper_v[n], lower_v[n]
        # What leaks comes from the capacitor through the attack resistor, so that the node is lower than it.
        # Of two that would conduct the larger one holds the node, and thereby blocks the other.
        at = v - (drops * leak - lifted)
        node = max(at, lower) if lower_out >= CONDUCTS and lower > upper else at
        after, upper_share = follow(
            upper_out, upper, node, low_v, high_v, per_step, most_step_v, slope_v, per_knee, series
        )
        node = max(at, upper) if upper_out >= CONDUCTS and upper >= lower else at
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
            bled += share * max(keep * v + gain * (offered - lifted) - bled, 0.0)
        v = bled
        held_v[n] = v
        n += 1
    return held_v, np.array([v, upper_out, lower_out, phase, leak])


@compiled
def follow_both_ways(
    offered_v: FloatArray, keep: float, gain: float, start_v: float
) -> tuple[FloatArray, float]:
    """A capacitor that a resistor fills and empties; keep, gain: factors of a step, as hold_step gives."""
    held_v = np.empty_like(offered_v)
    v = start_v
    for n in range(offered_v.size):
        v = keep * v + gain * offered_v[n]
        held_v[n] = v
    return held_v, v
