"""Compiled loop of the commonest board, from pressure to held voltage in one pass.

Microphone, preamp, rectifier and detector as in their own loops, digit for digit; side by side their
recurrences wait for each other's arithmetic no longer.
"""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray


@compiled
def precision_block(
    pressure_pa: FloatArray,
    limits: FloatArray,
    sections: FloatArray,
    hold: FloatArray,
    full: bool,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, int, FloatArray]:
    """Return (microphone, preamp, drive, held, samples at a limit, end state).

    limits: (low Pa, high Pa, sensitivity, preamp's offset, low V, high V). sections: (b0, b1, a1) of both
    corners, coupling, ground leg, bandwidth, shape (5, 3). hold: (charge_keep, charge_gain, bleed_keep).
    state: one memory a section, then the held voltage.
    """
    samples = pressure_pa.size
    heard, amplified = np.empty(samples), np.empty(samples)
    drive_v, held_v = np.empty(samples), np.empty(samples)
    low_pa, high_pa, sensitivity = limits[0], limits[1], limits[2]
    offset_v, low_v, high_v = limits[3], limits[4], limits[5]
    a0, a1, a2 = sections[0, 0], sections[0, 1], sections[0, 2]
    b0, b1, b2 = sections[1, 0], sections[1, 1], sections[1, 2]
    c0, c1, c2 = sections[2, 0], sections[2, 1], sections[2, 2]
    d0, d1, d2 = sections[3, 0], sections[3, 1], sections[3, 2]
    e0, e1, e2 = sections[4, 0], sections[4, 1], sections[4, 2]
    keep, gain, bleed = hold[0], hold[1], hold[2]
    sa, sb, sc, sd, se, v = state[0], state[1], state[2], state[3], state[4], state[5]
    limited = 0
    for n in range(samples):
        x = pressure_pa[n]
        over = (x > high_pa) | (x < low_pa)
        x = sensitivity * min(max(x, low_pa), high_pa)
        y = a0 * x + sa
        sa = a1 * x - a2 * y
        x = b0 * y + sb
        sb = b1 * y - b2 * x
        heard[n] = x
        y = c0 * x + sc
        sc = c1 * x - c2 * y
        x = d0 * y + sd
        sd = d1 * y - d2 * x
        y = e0 * x + se
        se = e1 * x - e2 * y
        y += offset_v
        limited += over | (y > high_v) | (y < low_v)
        y = min(max(y, low_v), high_v)
        amplified[n] = y
        u = abs(y) if full else max(y, 0.0)
        drive_v[n] = u
        v = max(bleed * v, keep * v + gain * u)
        held_v[n] = v
    return heard, amplified, drive_v, held_v, limited, np.array([sa, sb, sc, sd, se, v])
