"""Compiled: trial boards behind one wave, each with its own gains, limit, dead zone and detector."""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels.stage_kernels import compiled, held_next
from envlab.units import FloatArray, IntArray

# Trials that run side by side: two vectors of four on most machines.
LANES = 8


# Samples that are passed over at once where no trial charges.
TILE = 32


@compiled
def tile_peaks(wave_v: FloatArray) -> FloatArray:
    """Return the largest magnitude of each tile, shape (ceil(n/TILE),), V."""
    peaks = np.zeros((wave_v.size + TILE - 1) // TILE)
    for n in range(wave_v.size):
        peaks[n // TILE] = max(peaks[n // TILE], abs(wave_v[n]))
    return peaks


@compiled
def hold_trials(
    wave_v: FloatArray,
    bend_v: FloatArray,
    peaks_v: FloatArray,
    bends_v: FloatArray,
    starts: IntArray,
    gains: FloatArray,
    bent: FloatArray,
    low_v: FloatArray,
    high_v: FloatArray,
    fold: FloatArray,
    lift_v: FloatArray,
    lean_v: FloatArray,
    steps: FloatArray,
    start_v: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return (read_v, rise_v), shape (readings, LANES): V at the readings, and V gained in their sample.

    wave_v: shape (n,), V round the bias before any limit; bend_v: the same, how it changes, and bent, shape
    (LANES,), how much of that is added. peaks_v, bends_v: of both, as tile_peaks. starts: shape (stretches +
    1,), first sample of each, the last one n. gains: shape (stretches, LANES). low_v, high_v: shape (LANES,),
    limits of the swing, V. fold: 1 for a full wave, 0 for a half wave. lift_v: V added behind the rectifier,
    before it is held above 0 (a dead zone is negative). lean_v: V added before it. steps: shape (3,
    LANES), as detector.HoldStep.
    start_v: shape (LANES,), V. upper, fraction: shape (readings,), as adc.stamps_of gives them.
    """
    read_v = np.empty((upper.size, LANES))
    rise_v = np.empty((upper.size, LANES))
    held, before = start_v.copy(), start_v.copy()
    tile_keep = steps[2] ** TILE
    k = 0
    for stretch in range(starts.size - 1):
        n, end = starts[stretch], starts[stretch + 1]
        while n < end:
            whole = n % TILE == 0 and n + TILE <= end and (k >= upper.size or upper[k] >= n + TILE)
            if whole:
                peak_v, bend = peaks_v[n // TILE], bends_v[n // TILE]
                for j in range(LANES):
                    largest_v = gains[stretch, j] * (peak_v + abs(bent[j]) * bend) + abs(lean_v[j])
                    # What never lets go of its drive, an average detector, keeps nothing by itself.
                    quiet = largest_v + lift_v[j] <= held[j] * tile_keep[j]
                    whole &= quiet and tile_keep[j] > 0.0
            if whole:
                for j in range(LANES):
                    held[j] *= tile_keep[j]
                n += TILE
                continue
            x, dx = wave_v[n], bend_v[n]
            for j in range(LANES):
                y = gains[stretch, j] * (x + bent[j] * dx) + lean_v[j]
                y = y if y > low_v[j] else low_v[j]
                y = y if y < high_v[j] else high_v[j]
                # A half wave passes what lies above; a full wave the larger of it and its mirror image.
                z = -y * fold[j]
                u = (y if y > z else z) + lift_v[j]
                u = u if u > 0.0 else 0.0
                v = held[j]
                before[j] = v
                held[j] = held_next(v, steps[1, j] * u, steps[0, j], steps[2, j])
            while k < upper.size and upper[k] == n:
                for j in range(LANES):
                    rise_v[k, j] = held[j] - before[j]
                    read_v[k, j] = before[j] + fraction[k] * rise_v[k, j]
                k += 1
            n += 1
    return read_v, rise_v
