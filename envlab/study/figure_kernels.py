"""Compiled parts of the figures, for many candidates on one clip. Definitions stand in figures.py."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.analog.kernels import compiled
from envlab.units import FloatArray, IntArray


@compiled
def light_of(
    envelope: FloatArray,
    codes: IntArray,
    full_scale: float,
    lightness_of_code: FloatArray,
    row_of_candidate: IntArray,
    code: NDArray[np.float64],
    lightness: NDArray[np.float32],
) -> None:
    """Fill code and L* (candidates, frames) from envelope counts and tables of codes (candidates, entries).

    full_scale: counts of the last entry. row_of_candidate: whose row of lightness_of_code. lightness: the L*
    that is filled. Codes as LookupTable.look_up gives them for an even index: straight between entries,
    rounded half up. lightness_of_code: L* of every code, one row for each brightest code that occurs among
    the candidates.
    """
    per_count = (codes.shape[1] - 1) / full_scale
    last = codes.shape[1] - 2
    for c in range(envelope.shape[0]):
        row = row_of_candidate[c]
        for f in range(envelope.shape[1]):
            place = min(max(envelope[c, f], 0.0), full_scale) * per_count
            low = min(int(place), last)
            between = codes[c, low] + (codes[c, low + 1] - codes[c, low]) * (place - low)
            whole = int(between + 1e-9 + 0.5)
            code[c, f] = whole
            lightness[c, f] = lightness_of_code[row, whole]
