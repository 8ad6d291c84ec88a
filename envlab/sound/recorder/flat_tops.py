"""Tops that a recorder cut flat, at whatever height they now stand in the file.

The top of a wave that was not cut is a parabola: it goes up into the last SHARE of its height with the slope
4·height/width, and out again likewise. A top that was cut comes in as steeply as the wave was, and stays: its
slope times its width is many times that. So each crossing of the last SHARE is measured, on both sides; a
recorder's ceiling is where many tops are flat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.units import FloatArray

SHARE = 0.05
# Slope times width over 4 heights: 1 for a parabola; from here on a top is flat.
_FLAT_FROM = 2.0
# Of the crossing's height, over which a top must rise for its shape to be told.
_TALL = 0.4
# So many flat tops, and such a share of all tops up there, or it is nothing but the wave's own shape.
LEAST_TOPS, LEAST_SHARE = 16, 0.15


@dataclass(frozen=True)
class Tops:
    """flat: how many tops are. all: how many reach the last SHARE of the largest, on both sides."""

    flat: int = 0
    all: int = 0

    @property
    def are_cut(self) -> bool:
        """Whether that is a recorder's ceiling."""
        return self.flat >= LEAST_TOPS and self.flat >= LEAST_SHARE * self.all


def tops_of(signal: FloatArray, low: float, high: float) -> Tops:
    """Return the tops of a stretch; signal: shape (n,), any unit; low, high: the extremes of the whole."""
    up, down = _one_side(signal, high), _one_side(-signal, -low)
    return Tops(up.flat + down.flat, up.all + down.all)


def joined(one: Tops, other: Tops) -> Tops:
    """Return the tops of two stretches."""
    return Tops(one.flat + other.flat, one.all + other.all)


def _one_side(signal: FloatArray, peak: float) -> Tops:
    edge = (1.0 - SHARE) * peak
    if peak <= 0:
        return Tops()
    above = signal >= edge
    turns = np.diff(above.astype(np.int8))
    first, end = np.flatnonzero(turns == 1) + 1, np.flatnonzero(turns == -1) + 1
    end = end[end > first[0]] if first.size else end[:0]
    first = first[: end.size]
    wide = end - first >= 2
    first, end = first[wide], end[wide]
    if not first.size:
        return Tops()
    tallest = np.maximum.reduceat(np.append(signal, edge), np.column_stack((first, end)).ravel())[::2]
    rise, fall = signal[first] - signal[first - 1], signal[end - 1] - signal[end]
    width = end - 1 - first + (signal[first] - edge) / rise + (signal[end - 1] - edge) / fall
    height = tallest - edge
    tall = height > _TALL * SHARE * peak
    shape = 0.5 * (rise + fall)[tall] * width[tall] / (4.0 * height[tall])
    return Tops(int(np.count_nonzero(shape > _FLAT_FROM)), int(np.count_nonzero(tall)))
