"""A limiter's ceiling: the peaks of loud moments stand at one height, and just under it there are fewer.

The largest magnitude in each 10 ms. Of music that nobody limited, few come near the largest of all, and the
more the lower one looks. Under a limiter many stand within a third of a decibel of each other, at either side
of the wave, and not so many in the next two thirds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.units import FloatArray

BLOCK_S = 0.01
_TOP_DB, _UNDER_DB, _ACTIVE_DB = 0.3, 1.0, 20.0
# So many peaks at the ceiling, as an absolute number and as a share of the moments within _ACTIVE_DB.
LEAST_PEAKS, LEAST_SHARE = 12, 0.02
# As crowded as this, per decibel, against just under; and on either side of the wave at least this share.
_CROWDED, _EITHER_SIDE = 1.5, 0.03


@dataclass(frozen=True)
class Ceiling:
    """at: peaks at the ceiling. active: moments that are loud at all. is_held: a limiter holds the peaks."""

    at: int
    active: int
    is_held: bool


def ceiling_of(highest: FloatArray, lowest: FloatArray) -> Ceiling:
    """Return what the peaks say; highest, lowest: of each 10 ms, shape (blocks,), magnitudes, any unit."""
    largest = np.maximum(highest, lowest)
    if not largest.size or largest.max() <= 0:
        return Ceiling(0, 0, is_held=False)
    with np.errstate(divide="ignore"):
        level_db = 20.0 * np.log10(largest / largest.max())
    top = level_db > -_TOP_DB
    at, active = int(np.count_nonzero(top)), int(np.count_nonzero(level_db > -_ACTIVE_DB))
    under = int(np.count_nonzero(level_db > -_UNDER_DB)) - at
    up = int(np.count_nonzero(highest[top] >= lowest[top]))
    enough = at >= LEAST_PEAKS and at >= LEAST_SHARE * active
    crowded = at / _TOP_DB >= _CROWDED * under / (_UNDER_DB - _TOP_DB)
    return Ceiling(at, active, is_held=enough and crowded and min(up, at - up) >= _EITHER_SIDE * at)
