"""A coupling capacitor between two diodes, once or twice, and the hold capacitor; imported where it is used.

One diode leads from the reference node to the coupling capacitor's end, the other one from there through the
attack resistor to the hold capacitor. What the second one carries is a Wright omega function, as in
diode_kernels, blocked or not: what a leaky one lets back flows through the attack resistor too. The first one
needs its own while the end is below the node; above it, it gives its blocked current.

An end that is fed by an amplifier has least and most volts with a resistance each: there the output gives way
to what the diodes take. It stands at the lower of what the loop asks for and what it can give, and so does
the current: the smaller of both solutions.
"""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels.diode_kernels import omega
from envlab.analog.kernels.half_waves.half_wave_kernels import MOST_U
from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray

# A capacitor that leakage has drawn below its node leaves a diode a little forward.
_MOST_FORWARD_U = 4.0


@compiled
def _blocked(across: float, per_slope: float, saturation: float, per_leak: float) -> float:
    """Current backwards through a diode that has so many volts in reverse; 1e-3 of the saturation current."""
    u = min(max(across * per_slope, -_MOST_FORWARD_U), MOST_U)
    r = 1.0 - u * (1.0 / 16.0) + u * u * (1.0 / 512.0)
    r2 = r * r
    r4 = r2 * r2
    r8 = r4 * r4
    return saturation * (1.0 - r8 * r8) + across * per_leak


@compiled
def _let_back(
    signal: float,
    v: float,
    ends: FloatArray,
    state: FloatArray,
    k: int,
    per_slope: float,
    saturation: float,
    per_leak: float,
) -> float:
    """Current that the blocked diodes of the other ends take from where all of them meet.

    signal, v, state: V. ends: as hold_pumps. k: which end is asked for.
    """
    taken = 0.0
    for j in range(ends.shape[0]):
        x = min(max(ends[j, 0] * signal, ends[j, 1]), ends[j, 2]) - state[j + 1]
        if j != k and x < v:
            taken += _blocked(v - x, per_slope, saturation, per_leak)
    return taken


@compiled
def hold_pumps(
    signal_v: FloatArray, numbers: FloatArray, ends: FloatArray, table: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Follow a block; return (held_v, end state).

    numbers: bleed_keep, volts a step and ampere on the hold capacitor, weight of the step's end, inverse of
    the slope, saturation current, inverse of the leakage resistance, attack resistor, through which all ends
    lead, current that is drawn from the hold capacitor. ends: a row an end, as rectifiers.pump_circuit gives
    them. table: as omega_table, no unit. start: (held, across each end's capacitor), V.
    """
    bleed, per_a, weight, per_slope, saturation, per_leak, attack, drawn = numbers
    held_v, state = np.empty_like(signal_v), start.copy()
    v = start[0]
    for n in range(signal_v.size):
        into = 0.0
        held = v * (1.0 + weight * (bleed - 1.0)) - weight * per_a * drawn
        for k in range(ends.shape[0]):
            (
                gain, least, most, step, up_x, up_a, down_x, down_a,
                most_ohm, most_x, most_a, least_ohm, least_x, least_a,
            ) = ends[k]  # fmt: skip
            asked, across = gain * signal_v[n], state[k + 1]
            x = min(max(asked, least), most) - across
            seen = held - attack * _let_back(signal_v[n], v, ends, state, k, per_slope, saturation, per_leak)
            up = up_a * omega((x - seen) * per_slope + up_x, table) - saturation
            if most_ohm > 0.0 and asked > most - most_ohm * up:
                given = most_a * omega((most - across - seen) * per_slope + most_x, table) - saturation
                if given < up or asked >= most:
                    up, x = given, most - most_ohm * given - across
            up += (x - seen) * per_leak
            if x > 0.0:
                down = -_blocked(x, per_slope, saturation, per_leak)
            else:
                down = down_a * omega(-x * per_slope + down_x, table) - saturation
                if least_ohm > 0.0 and asked < least + least_ohm * down:
                    given = least_a * omega((across - least) * per_slope + least_x, table) - saturation
                    if given < down or asked <= least:
                        down, x = given, least + least_ohm * given - across
                down -= x * per_leak
            into += up
            state[k + 1] += step * (up - down)
        v = bleed * v + per_a * (into - drawn)
        held_v[n] = v
    state[0] = v
    return held_v, state
