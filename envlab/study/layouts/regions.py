"""Regions of the chain: which contiguous runs of pixels flash, and how often.

Looked at are runs of 1, 2, 4, 8 … pixels and the whole chain, each from every pixel on; of a chain with more
than MOST_STARTS such places from as many evenly spread. A run's flashes are counted as those of the whole
(light/flashes/flash.py), its luminance over its own brightest state: a region that never gets bright is
judged no more mildly. Between two lengths that are looked at a run is not: its light is that of a shorter
one and of the pixels beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from envlab.light.flashes.running_flash import RunningFlashes
from envlab.units import IntArray

MOST_STARTS = 64
Codes = NDArray[np.int32]


class Region(NamedTuple):
    """A run of pixels: the first, counted from 0, and how many."""

    first: int
    pixels: int


def regions_of(pixels: int) -> tuple[Region, ...]:
    """Return the runs that are looked at on a chain of so many pixels, the whole last.

    >>> [tuple(one) for one in regions_of(3)]
    [(0, 1), (1, 1), (2, 1), (0, 2), (1, 2), (0, 3)]
    """
    found = []
    length = 1
    while length < pixels:
        places = pixels - length + 1
        starts = np.unique(np.linspace(0, places - 1, min(places, MOST_STARTS)).round().astype(int))
        found += [Region(int(first), length) for first in starts]
        length *= 2
    return (*found, Region(0, pixels))


def region_sums(codes: IntArray, regions: tuple[Region, ...]) -> IntArray:
    """Return the sum of the codes (frames, pixels) of each region: (frames, regions)."""
    upto = np.zeros((codes.shape[0], codes.shape[1] + 1), np.int64)
    np.cumsum(codes, axis=1, out=upto[:, 1:])
    first = np.array([one.first for one in regions], int)
    length = np.array([one.pixels for one in regions], int)
    sums: IntArray = upto[:, first + length] - upto[:, first]
    return sums


@dataclass(frozen=True, eq=False)
class RegionFlashes:
    """Flashes of each region in its worst second (regions,)."""

    regions: tuple[Region, ...]
    per_s: IntArray

    @property
    def worst(self) -> Region:
        """The region that flashes most; among equals the longest, then the first on the chain."""
        at = max(
            range(len(self.regions)),
            key=lambda n: (self.per_s[n], self.regions[n].pixels, -self.regions[n].first),
        )
        return self.regions[at]

    @property
    def worst_per_s(self) -> int:
        """Its flashes in the worst second."""
        return int(self.per_s.max(initial=0))

    def flashing_pixels(self, limit: float) -> int:
        """Return how many pixels flash more than limit times in a second.

        Each alone, of a long chain as many as their share among those that were looked at; or, where no pixel
        does alone, those of the shortest run that does.
        """
        over = [region for region, count in zip(self.regions, self.per_s, strict=True) if count > limit]
        if not over:
            return 0
        looked_at = sum(region.pixels == 1 for region in self.regions)
        alone = sum(region.pixels == 1 for region in over)
        pixels = max(region.first + region.pixels for region in self.regions)
        return max(round(alone * pixels / looked_at), min(region.pixels for region in over))


def region_words(flashes: RegionFlashes) -> str:
    """As in "pixels 2 to 3", or "pixel 7"."""
    first, pixels = flashes.worst
    return f"pixel {first + 1}" if pixels == 1 else f"pixels {first + 1} to {first + pixels}"


class RegionCounter:
    """Counts the flashes of regions while their frames come by, one clip after the other."""

    def __init__(self, regions: tuple[Region, ...], brightest: IntArray, frame_rate_hz: float) -> None:
        """brightest (regions,): sum of codes of each region's brightest state."""
        self._regions, self._rate_hz, self._brightest = regions, frame_rate_hz, brightest
        self._rows = {
            int(level): np.flatnonzero(brightest == level) for level in np.unique(brightest) if level > 0
        }
        self._most = np.zeros(len(regions), np.int64)
        self.begin()

    def begin(self) -> None:
        """Begin a clip: no flash reaches from one into the next."""
        self._running = {
            level: RunningFlashes(rows.size, level, self._rate_hz) for level, rows in self._rows.items()
        }

    def take(self, sums: Codes) -> None:
        """sums: codes of each region, shape (regions, frames), of the next frames."""
        for level, rows in self._rows.items():
            self._running[level].take(np.ascontiguousarray(sums[rows]))
            self._most[rows] = np.maximum(self._most[rows], self._running[level].most_per_s)

    @property
    def flashes(self) -> RegionFlashes:
        """What was counted so far."""
        return RegionFlashes(self._regions, self._most.copy())
