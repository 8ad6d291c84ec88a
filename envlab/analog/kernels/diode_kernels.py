"""Compiled loops of the diode with its capacitor; imported inside the functions that use them.

One step solves, for the current i through diode and resistance R,

    w = R_e·i + n·V_T·ln(1 + i/Is),   R_e = R + what the current itself moves within the step,

which is y + ln y = x with y = R_e·(i + Is)/(n·V_T): the Wright omega function, y = ω(x) (T. C. Banwell
[Banwell2000], in its logarithmic form, which nothing overflows). ω comes from a table of Taylor
coefficients, five to a node, nodes 1/NODES apart: (1/64)^5/120 of the value is the error, 8e-12.
"""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np

from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray

NODES = 32
LOWEST = -40.0
HIGHEST = 80.0


def omega_table() -> FloatArray:
    """Return the Taylor coefficients of ω round LOWEST, LOWEST + 1/NODES …, five to a node."""
    from scipy.special import wrightomega

    x = LOWEST + np.arange(int((HIGHEST - LOWEST) * NODES) + 1) / NODES
    y = wrightomega(x)
    p = 1.0 + y
    # ω' = ω/(1 + ω), and on from there
    return np.ravel(
        np.stack(
            [
                y,
                y / p,
                y / p**3 / 2,
                y * (1 - 2 * y) / p**5 / 6,
                y * (1 - 8 * y + 6 * y**2) / p**7 / 24,
            ],
            axis=1,
        )
    )


@functools.cache
def shared_table() -> FloatArray:
    """Return omega_table, made once; shares of a voltage, no unit."""
    return omega_table()


@compiled
def _omega_beyond(x: float) -> float:
    """ω(x) above the table: one step of Fritsch, Shafer and Crowley [Fritsch1973] from x − ln x, to 1e-15."""
    z = x - math.log(x)
    r = x - z - math.log(z)
    p = 1.0 + z
    q = p * (p + 2.0 / 3.0 * r)
    return z * (1.0 + r / p * (q - 0.5 * r) / (q - r))


@compiled
def omega(x: float, table: FloatArray) -> Any:
    """ω(x); below the table 0, which is less than 5e-18 off. table: as omega_table, flat."""
    if x <= LOWEST:
        return 0.0
    if x >= HIGHEST:
        return float(_omega_beyond(x))
    place = (x - LOWEST) * NODES + 0.5
    k = np.uint64(place)
    d = (place - 0.5 - np.float64(k)) * (1.0 / NODES)
    at = k * np.uint64(5)
    one, two, four = np.uint64(1), np.uint64(2), np.uint64(4)
    low = table[at] + table[at + one] * d
    return low + d * d * (table[at + two] + table[at + one + two] * d + table[at + four] * (d * d))


@compiled
def hold_diode(
    signal_v: FloatArray, step: FloatArray, table: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """One diode and its capacitor over a block; start and end: (held, coupling capacitor).

    Everything linear is gathered before the loop: only ω stands between one step's voltage and the next's.
    """
    held_v = np.empty_like(signal_v)
    v, over = start[0], step[9]
    keep, x0, per_v = step[2], step[3], step[4]
    x_of_v, x_of_signal = -per_v * keep, per_v * (1.0 - keep * step[1])
    v_of_v, v_of_signal = 1.0 - over + over * keep, over * keep * step[1]
    v_of_y, v_fixed = over * step[8] * step[5], -over * step[8] * step[6] - over * keep * step[12]
    x0 -= x_of_v * step[12]
    most = (step[7] + step[6]) / step[5]
    for n in range(signal_v.size):
        signal = signal_v[n]
        y = min(omega(x_of_v * v + (x_of_signal * signal + x0), table), most)
        v = (v_of_v * v + (v_of_signal * signal + v_fixed)) + v_of_y * y
        held_v[n] = v
    return held_v, np.array([v, start[1]])


@compiled
def hold_coupled(
    signal_v: FloatArray, step: FloatArray, table: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The same behind a coupling capacitor, which moves too; start: V, as hold_diode."""
    held_v = np.empty_like(signal_v)
    v, across = start[0], start[1]
    passed, leak, keep, x0, per_v, per_y = step[0], step[1], step[2], step[3], step[4], step[5]
    saturation, most, moved, over, moved_across = step[6], step[7], step[8], step[9], step[10]
    leaked_back, drawn = step[11], step[12]
    for n in range(signal_v.size):
        left = v - drawn
        offered = passed * (signal_v[n] - across) + leaked_back * left
        base = keep * (left + leak * offered)
        current = min(per_y * omega(per_v * (offered - base) + x0, table) - saturation, most)
        v += over * (base + moved * current - v)
        across += over * (signal_v[n] - offered + moved_across * current - across)
        held_v[n] = v
    return held_v, np.array([v, across])


@compiled
def hold_limited(
    drive_v: FloatArray,
    charge_keep: float,
    charge_gain: float,
    bleed_keep: float,
    kick_v: float,
    start_v: float,
) -> tuple[FloatArray, float]:
    """A precision rectifier whose amplifier gives no more than a current, which lifts by kick_v a step.

    charge_keep, charge_gain, bleed_keep: factors of a step, as hold_step gives them.
    """
    held_v = np.empty_like(drive_v)
    v = start_v
    for n in range(drive_v.size):
        bled = bleed_keep * v
        v = max(bled, min(charge_keep * v + charge_gain * drive_v[n], bled + kick_v))
        held_v[n] = v
    return held_v, v
