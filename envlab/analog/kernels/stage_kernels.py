"""Compiled loops of the analog stages; imported inside the functions that use them: numba loads with it.

charge_keep, charge_gain: shares of the held voltage and of the drive that make the next one while the diode
conducts; bleed_keep: the share that is left when it does not. signal: shape (n,), V.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from envlab.files.compiling import compiled_with
from envlab.units import FloatArray, IntArray

# contract allows a fused multiply-add; nothing else of fast math is wanted, results stay reproducible.
compiled: Callable[..., Any] = compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")


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
def held_next(v: Any, charged: Any, charge_keep: Any, bleed_keep: Any) -> Any:
    """The detector's one step: the larger of "charging" and "bleeding only" is what the diode lets happen.

    v: held, V. charged: what the rectified voltage adds while the diode conducts, V. charge_keep, bleed_keep:
    shares of v that are left. Numbers, or vectors of them.
    """
    return max(bleed_keep * v, charge_keep * v + charged)


@compiled
def hold(
    drive_v: FloatArray, charge_keep: float, charge_gain: float, bleed_keep: float, start_v: float
) -> tuple[FloatArray, float]:
    """One sample a step; return (held at every sample, at the end)."""
    held_v = np.empty_like(drive_v)
    v = start_v
    for n in range(drive_v.size):
        v = held_next(v, charge_gain * drive_v[n], charge_keep, bleed_keep)
        held_v[n] = v
    return held_v, v


@compiled
def hold_read(
    drive_v: FloatArray,
    charge_keep: float,
    charge_gain: float,
    bleed_keep: float,
    read_after: IntArray,
    kept: float,
    start_v: float,
) -> FloatArray:
    """The same, of which a share kept is left after each reading.

    read_after: after how many samples a reading falls, rising, each 1 or more.
    """
    held_v = np.empty_like(drive_v)
    v, reading = start_v, 0
    for n in range(drive_v.size):
        v = held_next(v, charge_gain * drive_v[n], charge_keep, bleed_keep)
        while reading < read_after.size and read_after[reading] == n + 1:
            v *= kept
            reading += 1
        held_v[n] = v
    return held_v


@compiled
def _over_one_cycle(charged_v: FloatArray, charge_keep: float, bleed_keep: float, start_v: float) -> float:
    """charged_v: charge_gain times the cycle, so that a step has one product beside one sum: with two, the
    compiler might fuse the one or the other, and the last digits would depend on where this is inlined."""
    v = start_v
    for n in range(charged_v.size):
        v = held_next(v, float(charged_v[n]), charge_keep, bleed_keep)
    return v


@compiled
def cycle_gain(
    cycle_v: FloatArray, charge_keep: float, charge_gain: float, bleed_keep: float, start_v: float
) -> float:
    """By how much, in V, one cycle raises the voltage."""
    return float(_over_one_cycle(charge_gain * cycle_v, charge_keep, bleed_keep, start_v)) - start_v
