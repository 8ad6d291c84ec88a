"""The pixels of a light as it is worn: what is drawn of each, and how often a run of them flashes."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from envlab.chain import Chain
from envlab.digital.pixel_layout import LayoutState
from envlab.study.layouts.play import PixelPlay
from envlab.study.layouts.plays import play_of
from envlab.study.layouts.regions import RegionCounter, RegionFlashes, region_sums, regions_of
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class WornPixels:
    """A row of frames on a board whose layout is not "all alike".

    duty (frames,): words behind the guard. stands: where a travelling picture stood before the first frame.
    """

    chain: Chain
    duty: IntArray
    stands: LayoutState

    @property
    def play(self) -> PixelPlay:
        """What shows them."""
        return replace(_play_of(self.chain), start=self.stands)

    def luminance(self, most: int) -> FloatArray:
        """Return the luminance (frames, pixels), each over the brightest pixel at full light, 0 to 1.

        most: of a longer chain so many pixels are given, evenly spread, the ends among them.
        """
        play = self.play
        brightest = max(int(play.at_full.max()), 1)
        chosen = np.linspace(0, play.pixels - 1, min(most, play.pixels)).round().astype(np.int64)
        shown = [codes[:, chosen] / brightest for codes in play.blocks(self.duty)]
        whole = np.concatenate(shown) if shown else np.empty((0, chosen.size))
        return np.minimum(whole, 1.0)

    def region_flashes(self, frames: slice | None = None, rounds: int = 1) -> RegionFlashes:
        """Return the flashes of each region as they are shown.

        frames: of those alone. rounds: how often they are shown, one round after the other.
        """
        play = self.play
        regions = regions_of(play.pixels)
        sums = np.concatenate(
            [region_sums(codes, regions).astype(np.int32) for codes in play.blocks(self.duty)]
        )
        looped: NDArray[np.int32] = np.tile(sums if frames is None else sums[frames], (rounds, 1))
        most = region_sums(play.at_full, regions).max(axis=0)
        counter = RegionCounter(regions, most, self.chain.frame_rate_hz)
        counter.take(np.ascontiguousarray(looped.T))
        return counter.flashes


@functools.lru_cache(maxsize=16)
def _play_of(chain: Chain) -> PixelPlay:
    return play_of(chain)
