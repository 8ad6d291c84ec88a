"""Compiled parts of the figures, for many candidates on one clip. Definitions stand in figures.py."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.analog.kernels import compiled
from envlab.units import FloatArray, IntArray

# CIE 1976 L*, ISO/CIE 11664-4: L* = 116·Y^(1/3) − 16 above (6/29)^3, (29/3)^3·Y below.
_EDGE = 216 / 24389
_SLOPE = 24389 / 27


@compiled
def light_of(
    envelope: FloatArray,
    codes: IntArray,
    full_scale: float,
    code: NDArray[np.float64],
    lightness: NDArray[np.float32],
) -> None:
    """Fill code and L* (candidates, frames) from envelope counts and tables of codes (candidates, entries).

    Codes as LookupTable.look_up gives them for an even index: straight between entries, rounded half up.
    """
    per_count = (codes.shape[1] - 1) / full_scale
    last = codes.shape[1] - 2
    for c in range(envelope.shape[0]):
        top = codes[c].max()
        for f in range(envelope.shape[1]):
            place = min(max(envelope[c, f], 0.0), full_scale) * per_count
            low = min(int(place), last)
            between = codes[c, low] + (codes[c, low + 1] - codes[c, low]) * (place - low)
            code[c, f] = np.floor(between + 1e-9 + 0.5)
            y = code[c, f] / top
            lightness[c, f] = 116 * np.cbrt(y) - 16 if y > _EDGE else _SLOPE * y
