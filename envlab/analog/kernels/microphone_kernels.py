"""Compiled loop of the microphone; imported inside the functions that use it."""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray


@compiled
def hear_block(
    pressure_pa: FloatArray,
    low_pa: float,
    high_pa: float,
    sensitivity_v_pa: float,
    low_corner: FloatArray,
    high_corner: FloatArray,
    low_memory: float,
    high_memory: float,
) -> tuple[FloatArray, float, float]:
    """Limit, sensitivity and both corners in one pass over the samples.

    low_corner, high_corner: (b0, b1, a1) each. low_memory, high_memory: one value each, V.
    """
    out = np.empty_like(pressure_pa)
    p0, p1, p2 = low_corner[0], low_corner[1], low_corner[2]
    q0, q1, q2 = high_corner[0], high_corner[1], high_corner[2]
    for n in range(pressure_pa.size):
        x = sensitivity_v_pa * min(max(pressure_pa[n], low_pa), high_pa)
        y = p0 * x + low_memory
        low_memory = p1 * x - p2 * y
        z = q0 * y + high_memory
        high_memory = q1 * y - q2 * z
        out[n] = z
    return out, low_memory, high_memory
