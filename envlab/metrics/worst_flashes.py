"""The flashes that count: general ones, and red ones where a design has a colour.

[WCAG2.2] asks for not more than three of either in any one second. So of a design with a colour flashes_per_s
is the larger of both counts: a costume that keeps the one and breaks the other is as little safe.
"""

from __future__ import annotations

import functools
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from envlab.chain import Chain
from envlab.light.costume_colour import CostumeColour
from envlab.light.flashes.colour_path import (
    ColourPath,
    RunningRedFlashes,
    colour_path,
    count_path_flashes,
)
from envlab.light.flashes.flash import count_flashes
from envlab.light.flashes.running_flash import RunningFlashes
from envlab.light.lightness import round_half_up
from envlab.light.pixels import Pixels, Supply
from envlab.light.table import top_code
from envlab.units import IntArray


class Counting(Protocol):
    """What takes frames and knows the worst second of each row."""

    def take(self, codes: NDArray[np.int32]) -> None:
        """Take the brightness codes of the next frames, shape (rows, frames)."""

    @property
    def most_per_s(self) -> IntArray:
        """Most flashes in any second so far, shape (rows,)."""


class _Both:
    """General and red flashes side by side."""

    def __init__(self, general: RunningFlashes, red: RunningRedFlashes) -> None:
        self._parts = (general, red)

    def take(self, codes: NDArray[np.int32]) -> None:
        for part in self._parts:
            part.take(codes)

    @property
    def most_per_s(self) -> IntArray:
        return np.maximum(*(part.most_per_s for part in self._parts))


def running_flashes(chain: Chain, rows: int, brightest_code: int) -> Counting:
    """Return what counts the flashes of candidates: all with a chain's pixels, supply, colour, frame rate."""
    general = RunningFlashes(rows, brightest_code, chain.frame_rate_hz)
    path = path_of(chain, brightest_code)
    return general if path is None else _Both(general, RunningRedFlashes(rows, path, chain.frame_rate_hz))


def path_of(chain: Chain, brightest_code: int) -> ColourPath | None:
    """Return what colour each of a chain's brightness codes is shown in; None where it has none."""
    limited = chain.current_limit == "table"
    bits = chain.pixel_bits + chain.dither_bits
    return _path(chain.colour, chain.pixels, chain.supply, bits, brightest_code, limited)


def most_flashes(chain: Chain, luminance: ArrayLike) -> int:
    """Return the most flashes in any second of a light, relative luminance (frames,), 0..1, of either kind.

    The light is taken to the nearest code of the pixels' own depth, whose colour is then known.
    """
    light = np.asarray(luminance, dtype=np.float64)
    return max(count_flashes(light, chain.frame_rate_hz), red_flashes(chain, light))


def red_flashes(chain: Chain, luminance: ArrayLike) -> int:
    """Return the red flashes alone, luminance as for most_flashes, 0..1; 0 where the chain has no colour."""
    brightest = top_code(chain.pixel_bits + chain.dither_bits, chain.duty_limit)
    path = path_of(chain, brightest)
    if path is None:
        return 0
    light = np.asarray(luminance, dtype=np.float64)
    codes = np.minimum(round_half_up(light * brightest), brightest)
    return count_path_flashes(codes.astype(np.int32), path, chain.frame_rate_hz)


@functools.lru_cache(maxsize=16)
def _path(
    colour: CostumeColour, pixels: Pixels, supply: Supply, bits: int, brightest_code: int, limited: bool
) -> ColourPath | None:
    return colour_path(colour, pixels, supply, bits, brightest_code, limited=limited)
