"""Many detectors on one drive, side by side in the processor's vector lanes.

Each detector's voltage is kept as w = v/charge_gain, so that a step is w ← max(bleed·w, charge·w + u): one
multiply, one fused multiply-add, one maximum.

Most detectors bleed most of the time, and a stretch of L steps on the bleed is one multiply by bleed^L. A
detector with voltage w at the start of a stretch stays on the bleed throughout if
u ≤ (bleed − charge)·bleed^(L − 1)·w for the largest u of the stretch: w never falls faster than the bleed, so
at every step n of the stretch u ≤ (bleed − charge)·w_n, which is charge·w_n + u ≤ bleed·w_n. Where that holds
for all lanes of a group the stretch is not stepped through: first a tile is tried, then each of its strips.
"""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels import compiled
from envlab.analog.vector_kernels import LANES, any_above, everywhere, load, store
from envlab.units import FloatArray, IntArray

TILE = 64
STRIP = 16


@compiled
def largest_of(drive: FloatArray, length: int) -> FloatArray:
    """Largest drive of each whole stretch of this length."""
    largest = np.empty(drive.size // length)
    for i in range(largest.size):
        most = drive[i * length]
        for n in range(i * length + 1, (i + 1) * length):
            most = max(most, drive[n])
        largest[i] = most
    return largest


@compiled
def _group(
    drive: FloatArray,
    tile_largest: FloatArray,
    strip_largest: FloatArray,
    lanes: FloatArray,
    state: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> None:
    """Run one group of LANES detectors over a block; set state, and out (readings, LANES)."""
    charge, bleed = load(lanes, 0), load(lanes, LANES)
    stay_strip, lost_strip = load(lanes, 2 * LANES), load(lanes, 3 * LANES)
    stay_tile, lost_tile = load(lanes, 4 * LANES), load(lanes, 5 * LANES)
    w = load(state, 0)
    reading = 0
    due = upper[0] if upper.size > 0 else drive.size
    whole = tile_largest.size * TILE
    n = 0
    while n < drive.size:
        whole_tile = n < whole and n % TILE == 0 and due >= n + TILE
        if whole_tile and not any_above(everywhere(tile_largest[n // TILE]), stay_tile * w):
            w = w - lost_tile * w
            n += TILE
            continue
        if n < whole and due >= n + STRIP:
            if any_above(everywhere(strip_largest[n // STRIP]), stay_strip * w):
                for k in range(n, n + STRIP):
                    w = max(bleed * w, charge * w + everywhere(drive[k]))
            else:
                w = w - lost_strip * w
            n += STRIP
            continue
        for k in range(n, min(n + STRIP, drive.size)):
            before = w
            w = max(bleed * w, charge * w + everywhere(drive[k]))
            while due == k:
                store(out, reading * LANES, before + everywhere(fraction[reading]) * (w - before))
                reading += 1
                due = upper[reading] if reading < upper.size else drive.size
        n += STRIP
    store(state, 0, w)


@compiled
def hold_groups(
    drive: FloatArray,
    lanes: FloatArray,
    start: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Run all groups over a block; return (w at the readings, shape (groups, readings, LANES); w at the end).

    lanes: shape (groups, 6, LANES): charge, bleed, then for a strip and for a tile the factor of w below
    which a drive leaves it on the bleed, and the share of w that the bleed takes. start: (groups, LANES).
    upper: rising indices into drive at which a reading lies between output upper − 1 and output upper.
    """
    tile_largest, strip_largest = largest_of(drive, TILE), largest_of(drive, STRIP)
    state = start.copy()
    out = np.empty((lanes.shape[0], upper.size, LANES))
    for g in range(lanes.shape[0]):
        _group(
            drive,
            tile_largest,
            strip_largest,
            lanes[g].reshape(-1),
            state[g],
            upper,
            fraction,
            out[g].reshape(-1),
        )
    return out, state
