"""A coupling capacitor between two diodes, once or twice, and the hold capacitor; imported where it is used.

One diode leads from the reference node to the coupling capacitor's end, the other one from there through the
attack resistor to the hold capacitor. Where the end is above the node the second can conduct, below it the
first: one Wright omega function an end and step, as in diode_kernels; the other diode gives its blocked
current.
"""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels.diode_kernels import omega
from envlab.analog.kernels.half_wave_kernels import MOST_U
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
def hold_pumps(
    signal_v: FloatArray, numbers: FloatArray, ends: FloatArray, table: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Follow a block; return (held_v, end state).

    numbers: bleed_keep, volts a step and ampere on the hold capacitor, weight of the step's end, inverse of
    the slope, saturation current, inverse of the leakage resistance. ends: a row an end, as
    rectifiers.pump_circuit gives them. table: as omega_table, no unit. start: (held, across each end's
    capacitor), V.
    """
    bleed, per_a, weight, per_slope, saturation, per_leak = numbers
    held_v, state = np.empty_like(signal_v), start.copy()
    v = start[0]
    for n in range(signal_v.size):
        into = 0.0
        seen = v * (1.0 + weight * (bleed - 1.0))
        for k in range(ends.shape[0]):
            gain, least, most, step, up_x, up_a, down_x, down_a = ends[k]
            x = min(max(gain * signal_v[n], least), most) - state[k + 1]
            if x > 0.0:
                up = up_a * omega((x - seen) * per_slope + up_x, table) - saturation
                up += (x - seen) * per_leak
                down = -_blocked(x, per_slope, saturation, per_leak)
            else:
                up = -_blocked(v - x, per_slope, saturation, per_leak)
                down = down_a * omega(-x * per_slope + down_x, table) - saturation - x * per_leak
            into += up
            state[k + 1] += step * (up - down)
        v = bleed * v + per_a * into
        held_v[n] = v
    state[0] = v
    return held_v, state
