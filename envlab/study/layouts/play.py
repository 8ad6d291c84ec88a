"""Duties played on a layout, and what is left of its pixels frame by frame.

What is kept of a frame are sums over its pixels, so that hours of music and thousands of pixels take no more
memory than a clip. A layout that shows a duty always alike is asked once for each different duty.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from envlab.errors import ParameterError
from envlab.light.lightness import lightness_cie1976
from envlab.metrics.clip_metrics import lit_code
from envlab.study.layouts.regions import Region, region_sums
from envlab.units import FloatArray, IntArray

Show = Callable[[IntArray, Any], tuple[IntArray, Any]]
# Codes of pixels, or sums of regions, that are worked on together.
AT_ONCE = 1 << 17
Codes = NDArray[np.int32]
# Words of 16 bit, however they are held.
Words = NDArray[np.integer[Any]]


@dataclass(frozen=True, eq=False)
class PixelPlay:
    """What makes pixels of duties.

    show: from duties (frames,), words of 16 bit, and the state that the call before has left to codes
    (frames, pixels) of a channel that is asked for white, 0 to full_code, and the state. full_duty: word of
    the brightest state that the limited costume can show. at_full: codes (places, pixels) there, of what
    moves wherever it may stand. still_show: of what moves, what it shows while it stands; start: the state
    that it begins with.
    """

    show: Show
    full_code: int
    full_duty: int
    at_full: IntArray
    still_show: Show | None = None
    start: Any = None

    @property
    def pixels(self) -> int:
        """Of the chain."""
        return int(self.at_full.shape[1])

    @property
    def moves(self) -> bool:
        """Whether it shows a steady duty now here, now there."""
        return self.still_show is not None

    @property
    def still(self) -> PixelPlay:
        """The same, standing still."""
        return (
            self
            if self.still_show is None
            else replace(self, show=self.still_show, still_show=None, start=None)
        )

    def blocks(self, duties: Words) -> Iterator[IntArray]:
        """Yield the codes (some frames, pixels) of duties (frames,), from the start on."""
        state = self.start
        size = max(1, AT_ONCE // self.pixels)
        for first in range(0, duties.size, size):
            codes, state = self.show(duties[first : first + size].astype(np.int64), state)
            if codes.min(initial=0) < 0 or codes.max(initial=0) > self.full_code:
                raise ParameterError("codes", int(codes.max()), f"from 0 to {self.full_code}")
            yield codes

    def codes_of(self, duties: Words, first: int) -> IntArray:
        """Return the codes (frames, pixels) of duties from the frame first on, played from the start on.

        What came before is played if a picture moves, and not kept.
        """
        if not self.moves:
            return np.concatenate(list(self.blocks(duties[first:])))
        kept, done = [], 0
        for codes in self.blocks(duties):
            kept += [codes[max(0, first - done) :]] if done + len(codes) > first else []
            done += len(codes)
        return np.concatenate(kept)


@dataclass(frozen=True, eq=False)
class Brightest:
    """The brightest state of a layout, which its own light is seen in proportion to; codes.

    pixel: of its brightest pixel. whole: sum of all pixels. lightness_sum: L* of all pixels, each over the
    brightest pixel. regions: sum of each region.
    """

    pixel: int
    whole: int
    lightness_sum: float
    regions: IntArray


def brightest_of(play: PixelPlay, regions: tuple[Region, ...]) -> Brightest:
    """Return the brightest state: the most that full light shows, wherever it stands."""
    codes = play.at_full
    pixel = int(codes.max())
    return Brightest(
        pixel=pixel,
        whole=int(codes.sum(axis=1).max()),
        lightness_sum=float(_lightness_of_codes(pixel)[codes].sum(axis=1).max()),
        regions=region_sums(codes, regions).max(axis=0),
    )


def _lightness_of_codes(brightest: int) -> FloatArray:
    return lightness_cie1976(np.arange(brightest + 1) / max(brightest, 1))


@dataclass(frozen=True, eq=False)
class Played:
    """What is left of frames.

    code_sum (frames,): codes of all pixels. lightness_sum (frames,): L* of all pixels, each over the layout's
    brightest pixel. lit (frames,): how many pixels have an L* above LIT_LSTAR, over a pixel at full.
    pixels_of_code (full_code + 1,): how often a pixel had each code, over all frames.
    """

    code_sum: IntArray
    lightness_sum: FloatArray
    lit: IntArray
    pixels_of_code: IntArray

    def near_lstar(self, brightest: Brightest) -> FloatArray:
        """Return the lightness (frames,) of the lit area, 100 for the brightest state.

        L* of every pixel, summed over the area: near by each is seen on its own.
        """
        return np.minimum(100.0 * self.lightness_sum / max(brightest.lightness_sum, 1e-9), 100.0)

    def far_luminance(self, brightest: Brightest) -> FloatArray:
        """Return the luminous intensity (frames,) of the whole over that of its brightest state, 0 to 1."""
        return np.minimum(self.code_sum / max(brightest.whole, 1), 1.0)

    def far_lstar(self, brightest: Brightest) -> FloatArray:
        """Return the L* (frames,) of the same: from afar the whole is one point."""
        return lightness_cie1976(self.far_luminance(brightest))


def played(
    play: PixelPlay,
    duties: Words,
    brightest: Brightest,
    regions: tuple[Region, ...] = (),
    take: Callable[[Codes], None] | None = None,
) -> Played:
    """Return what is left of duties (frames,), words of 16 bit, as a layout shows them from its start on.

    take: called with the sums of regions, (regions, some frames), in the order of the frames.
    """
    if play.moves:
        once = np.ones(duties.size, np.int64)
        return _reduced(play, duties, once, brightest, regions, take)
    # A word has 16 bit: counting them takes a tenth of what sorting hours of them does.
    counts = np.bincount(duties, minlength=1 << 16)
    asked = np.flatnonzero(counts)
    times, place = counts[asked], np.zeros(counts.size, np.int32)
    place[asked] = np.arange(asked.size)
    which = place[duties]
    kept: list[Codes] = []
    found = _reduced(play, asked, times, brightest, regions, None if take is None else kept.append)
    if take is not None and kept:
        sums, size = np.concatenate(kept, axis=1), max(1, AT_ONCE // len(regions))
        for first in range(0, which.size, size):
            take(sums[:, which[first : first + size]])
    return Played(found.code_sum[which], found.lightness_sum[which], found.lit[which], found.pixels_of_code)


def _reduced(
    play: PixelPlay,
    duties: Words,
    times: IntArray,
    brightest: Brightest,
    regions: tuple[Region, ...],
    take: Callable[[Codes], None] | None,
) -> Played:
    """Return what is left of duties (frames,), one after the other; times: how often each comes."""
    lightness = np.full(play.full_code + 1, 100.0)
    lightness[: brightest.pixel + 1] = _lightness_of_codes(brightest.pixel)
    code_sum, lightness_sum = np.empty(duties.size, np.int64), np.empty(duties.size)
    lit, pixels_of_code = np.empty(duties.size, np.int64), np.zeros(play.full_code + 1, np.int64)
    from_code = lit_code(play.full_code)
    done = 0
    for codes in play.blocks(duties):
        here = slice(done, done + len(codes))
        code_sum[here], lightness_sum[here] = codes.sum(axis=1), lightness[codes].sum(axis=1)
        lit[here] = np.count_nonzero(codes >= from_code, axis=1)
        counted = np.bincount(codes.ravel(), np.repeat(times[here], play.pixels), play.full_code + 1)
        pixels_of_code += counted.astype(np.int64)
        if take is not None:
            take(np.ascontiguousarray(region_sums(codes, regions).T, dtype=np.int32))
        done += len(codes)
    return Played(code_sum, lightness_sum, lit, pixels_of_code)
