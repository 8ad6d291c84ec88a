"""Many detectors on one steady tone, side by side in the processor's vector lanes.

A detector's voltage is kept as w = v/charge_gain, as in lane_kernels.py. No lane looks at another: a detector
gives the same digits alone and among others.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.stage_kernels import compiled, held_next
from envlab.analog.kernels.vector_kernels import LANES, everywhere, load, smallest, store
from envlab.units import FloatArray

TILE = 64
_MOST_TURNS = 200


@compiled
def _over_one_cycle(cycle_v: FloatArray, charge: Any, bleed: Any, w: Any) -> Any:
    for u in cycle_v:
        w = held_next(w, everywhere(u), charge, bleed)
    return w


@compiled
def _gap(cycle_v: FloatArray, steps: FloatArray, start: FloatArray) -> FloatArray:
    """By how much one cycle raises w, shape (LANES,)."""
    gap = np.empty(LANES)
    w = load(start, 0)
    store(gap, 0, _over_one_cycle(cycle_v, load(steps, 0), load(steps, LANES), w) - w)
    return gap


@compiled
def narrow(
    i: int,
    middle: float,
    gap: float,
    low: FloatArray,
    high: FloatArray,
    gap_low: FloatArray,
    gap_high: FloatArray,
    side: FloatArray,
) -> None:
    """Take the middle, where the gap is that, for one end of bracket i: false position that never stays.

    low, high: ends of the brackets; gap_low ≥ 0 ≥ gap_high: what the function is there. An end that stays
    twice has its gap halved. side: which end moved last, 1 low, −1 high.
    """
    if gap == 0.0:
        low[i] = high[i] = middle
    elif gap > 0.0:
        low[i], gap_low[i] = middle, gap
        gap_high[i] *= 0.5 if side[i] > 0 else 1.0
        side[i] = 1
    else:
        high[i], gap_high[i] = middle, gap
        gap_low[i] *= 0.5 if side[i] < 0 else 1.0
        side[i] = -1


@compiled
def settled_starts(cycle_v: FloatArray, steps: FloatArray, tolerance: float) -> FloatArray:
    """Start w of the cycle that ends where it began, to within a tolerance in V, shape (LANES,).

    cycle_v: drive over one cycle, V. steps: shape (3·LANES,), charge_keep, bleed_keep and charge_gain.
    The map from start to end of a cycle rises more slowly than its argument (every step contracts), so the
    difference has one zero between 0 and the largest drive: regula falsi with halving of the stale end
    (Illinois form) finds it in a few cycles where waiting would take as long as the release.
    """
    gain = steps[2 * LANES :]
    low, high = np.zeros(LANES), cycle_v.max() / gain
    gap_low, gap_high = _gap(cycle_v, steps, low), _gap(cycle_v, steps, high)
    side, middle = np.zeros(LANES), np.empty(LANES)
    for i in range(LANES):
        if gap_low[i] <= 0.0:
            high[i] = low[i]
    for _ in range(_MOST_TURNS):
        if ((high - low) * gain).max() <= tolerance:
            break
        for i in range(LANES):
            middle[i] = low[i]
            if (high[i] - low[i]) * gain[i] > tolerance:
                # No product meets a sum here, which the compiler might fuse or not.
                middle[i] += float((high[i] - low[i]) * gap_low[i] / (gap_low[i] - gap_high[i]))
        gap = _gap(cycle_v, steps, middle)
        for i in range(LANES):
            if (high[i] - low[i]) * gain[i] <= tolerance:
                continue
            narrow(i, middle[i], gap[i], low, high, gap_low, gap_high, side)
    starts: FloatArray = 0.5 * (low + high)
    return starts


@compiled
def one_cycle(
    cycle_v: FloatArray, steps: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return (mean, least, largest, last) w of a cycle that begins with start, shape (LANES,) each.

    cycle_v: V, whole tiles. steps: as settled_starts. start: w, V over charge_gain, as all four.
    """
    charge, bleed, w = load(steps, 0), load(steps, LANES), load(start, 0)
    total, least, most = everywhere(0.0), everywhere(np.inf), everywhere(-np.inf)
    for first in range(0, cycle_v.size, TILE):
        # Summed tile by tile, the sum errs less.
        some = everywhere(0.0)
        for n in range(first, first + TILE):
            w = held_next(w, everywhere(cycle_v[n]), charge, bleed)
            some, least, most = some + w, min(least, w), max(most, w)
        total = total + some
    mean, low, high, end = np.empty(LANES), np.empty(LANES), np.empty(LANES), np.empty(LANES)
    store(mean, 0, total)
    store(low, 0, least)
    store(high, 0, most)
    store(end, 0, w)
    return mean / cycle_v.size, low, high, end


@compiled
def first_crossings(
    cycle_v: FloatArray, steps: FloatArray, threshold: FloatArray, most_steps: int
) -> FloatArray:
    """Steps, straight between two, until w first reaches the threshold from 0, shape (LANES,); −1: never.

    cycle_v, steps: as settled_starts. threshold: w, V over charge_gain. most_steps: a multiple of TILE, as is
    the length of the cycle.
    """
    charge, bleed, w = load(steps, 0), load(steps, LANES), everywhere(0.0)
    found, wanted = np.full(LANES, -1.0), threshold.copy()
    every = np.empty((TILE + 1) * LANES)
    for first in range(0, most_steps, TILE):
        start, most, n = w, w, first % cycle_v.size
        for k in range(n, n + TILE):
            w = held_next(w, everywhere(cycle_v[k]), charge, bleed)
            most = max(most, w)
        if smallest(load(wanted, 0) - most) > 0.0:
            continue
        again = start
        store(every, 0, again)
        for k in range(TILE):
            again = held_next(again, everywhere(cycle_v[n + k]), charge, bleed)
            store(every, (k + 1) * LANES, again)
        if not _find_in_tile(every, first, wanted, found):
            break
    return found


@compiled
def _find_in_tile(every: FloatArray, first: int, wanted: FloatArray, found: FloatArray) -> bool:
    """Set found of the lanes that cross in this tile, and what they want to infinite; whether any is left."""
    left = False
    for i in range(LANES):
        for k in range(TILE):
            before, after = every[k * LANES + i], every[(k + 1) * LANES + i]
            if after >= wanted[i]:
                found[i] = first + k + (wanted[i] - before) / (after - before)
                wanted[i] = np.inf
                break
        left = left or wanted[i] < np.inf
    return left
