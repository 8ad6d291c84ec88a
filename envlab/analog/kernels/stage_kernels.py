"""Compiled loops of the analog stages; imported inside the functions that use them: numba loads with it.

charge_keep, charge_gain: shares of the held voltage and of the drive that make the next one while the diode
conducts; bleed_keep: the share that is left when it does not. signal: shape (n,), V.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit

from envlab.units import FloatArray

# contract allows a fused multiply-add; nothing else of fast math is wanted, results stay reproducible.
compiled: Callable[..., Any] = njit(cache=True, nogil=True, fastmath={"contract"}, error_model="numpy")


@compiled
def first_order(
    signal: FloatArray, b0: float, b1: float, a1: float, state: float
) -> tuple[FloatArray, float]:
    """y[n] = b0·x[n] + b1·x[n−1] − a1·y[n−1], transposed direct form II with one state; x and y in V."""
    out = np.empty_like(signal)
    for n in range(signal.size):
        x = signal[n]
        y = b0 * x + state
        state = b1 * x - a1 * y
        out[n] = y
    return out, state


@compiled
def amplify_block(
    signal: FloatArray,
    coupling: FloatArray,
    ground_leg: FloatArray,
    bandwidth: FloatArray,
    offset_v: float,
    low_v: float,
    high_v: float,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, int]:
    """Three first-order sections, then the output's limits; counts the samples at a limit.

    signal: shape (n,), V. coupling, ground_leg, bandwidth: a section (b0, b1, a1) each; state holds one value
    a section and is not changed in place.
    """
    out = np.empty_like(signal)
    s0, s1, s2 = state[0], state[1], state[2]
    clipped = 0
    for n in range(signal.size):
        x = signal[n]
        v = coupling[0] * x + s0
        s0 = coupling[1] * x - coupling[2] * v
        y = ground_leg[0] * v + s1
        s1 = ground_leg[1] * v - ground_leg[2] * y
        z = bandwidth[0] * y + s2
        s2 = bandwidth[1] * y - bandwidth[2] * z
        z += offset_v
        if z > high_v:
            z = high_v
            clipped += 1
        elif z < low_v:
            z = low_v
            clipped += 1
        out[n] = z
    return out, np.array([s0, s1, s2]), clipped


@compiled
def hold(
    drive_v: FloatArray, charge_keep: float, charge_gain: float, bleed_keep: float, start_v: float
) -> tuple[FloatArray, float]:
    """One sample a step: the larger of "charging" and "bleeding only" is what the diode lets happen."""
    held_v = np.empty_like(drive_v)
    v = start_v
    for n in range(drive_v.size):
        v = max(bleed_keep * v, charge_keep * v + charge_gain * drive_v[n])
        held_v[n] = v
    return held_v, v


@compiled
def _over_one_cycle(charged_v: FloatArray, charge_keep: float, bleed_keep: float, start_v: float) -> float:
    """charged_v: charge_gain times the cycle, so that a step has one product beside one sum: with two, the
    compiler might fuse the one or the other, and the last digits would depend on where this is inlined."""
    v = start_v
    for n in range(charged_v.size):
        v = max(bleed_keep * v, charge_keep * v + float(charged_v[n]))
    return v


@compiled
def cycle_gain(
    cycle_v: FloatArray, charge_keep: float, charge_gain: float, bleed_keep: float, start_v: float
) -> float:
    """By how much, in V, one cycle raises the voltage."""
    return float(_over_one_cycle(charge_gain * cycle_v, charge_keep, bleed_keep, start_v)) - start_v
