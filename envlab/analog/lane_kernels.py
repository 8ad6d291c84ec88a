"""Many detectors on one drive, side by side in the processor's vector lanes.

Each detector's voltage is kept as w = v/charge_gain, so that a step is w ← max(bleed·w, charge·w + u): one
multiply, one fused multiply-add, one maximum.

Where no detector of a group charges during a tile, the tile is one multiply. A detector with voltage w at
its start stays on the bleed throughout if u ≤ (bleed − charge)·bleed^(length − 1)·w for the tile's largest u:
then u ≤ (bleed − charge)·w_n at every step n, which is charge·w_n + u ≤ bleed·w_n.
"""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels import compiled
from envlab.units import FloatArray, IntArray

TILE = 64
STRIP = 8


@compiled
def _must_charge(largest: float, stay: FloatArray, w: FloatArray) -> bool:
    count = 0
    for j in range(w.size):
        count += largest > stay[j] * w[j]
    return count > 0


@compiled
def _strip(u: FloatArray, charge: FloatArray, bleed: FloatArray, w: FloatArray) -> None:
    u0, u1, u2, u3 = u[0], u[1], u[2], u[3]
    u4, u5, u6, u7 = u[4], u[5], u[6], u[7]
    for j in range(w.size):
        a, b, x = charge[j], bleed[j], w[j]
        x = max(b * x, a * x + u0)
        x = max(b * x, a * x + u1)
        x = max(b * x, a * x + u2)
        x = max(b * x, a * x + u3)
        x = max(b * x, a * x + u4)
        x = max(b * x, a * x + u5)
        x = max(b * x, a * x + u6)
        x = max(b * x, a * x + u7)
        w[j] = x


@compiled
def _steps(
    drive: FloatArray,
    first: int,
    last: int,
    charge: FloatArray,
    bleed: FloatArray,
    w: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    reading: int,
    out: FloatArray,
) -> int:
    """Single steps from first to before last, with the readings that fall between two of them."""
    before = np.empty_like(w)
    for n in range(first, last):
        taken = reading < upper.size and upper[reading] == n
        if taken:
            before[:] = w
        for j in range(w.size):
            w[j] = max(bleed[j] * w[j], charge[j] * w[j] + drive[n])
        while taken and reading < upper.size and upper[reading] == n:
            for j in range(w.size):
                out[reading, j] = before[j] + fraction[reading] * (w[j] - before[j])
            reading += 1
    return reading


@compiled
def hold_group(
    drive: FloatArray,
    tile_largest: FloatArray,
    strip_largest: FloatArray,
    charge: FloatArray,
    bleed: FloatArray,
    start: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> FloatArray:
    """Run one group over a block; fill out (readings, lanes) in units of w, return w at the end.

    upper: rising indices into drive at which a reading lies between output upper − 1 and output upper.
    """
    w = start.copy()
    bleed_strip, bleed_tile = bleed**STRIP, bleed**TILE
    stay_strip = (bleed - charge) * bleed ** (STRIP - 1)
    stay_tile = (bleed - charge) * bleed ** (TILE - 1)
    reading = 0
    tiles = drive.size // TILE
    for tile in range(tiles):
        begin = tile * TILE
        due = reading < upper.size and upper[reading] < begin + TILE
        if not due and not _must_charge(tile_largest[tile], stay_tile, w):
            for j in range(w.size):
                w[j] *= bleed_tile[j]
            continue
        for strip in range(begin // STRIP, (begin + TILE) // STRIP):
            n = strip * STRIP
            if reading < upper.size and upper[reading] < n + STRIP:
                reading = _steps(drive, n, n + STRIP, charge, bleed, w, upper, fraction, reading, out)
            elif _must_charge(strip_largest[strip], stay_strip, w):
                _strip(drive[n : n + STRIP], charge, bleed, w)
            else:
                for j in range(w.size):
                    w[j] *= bleed_strip[j]
    _steps(drive, tiles * TILE, drive.size, charge, bleed, w, upper, fraction, reading, out)
    return w
