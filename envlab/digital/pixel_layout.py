"""A layout of light in whole numbers: the duty that all pixels would share in, the duty of each pixel out.

Pixels that do alike have one rank. A rank stays at rest light up to the duty at which it starts, rises from
there along a straight line, and stays at the top. So a layout is a small table, rank by envelope, of two
words a rank, and the rank of each pixel. A picture that travels is turned round the chain as a whole, by
whole pixels: the sum over the pixels is that of the picture that stands, to the last code, in every refresh.

envlab.light.layout.table makes the table and says what the light of the whole is; the C part is
envlab_layout.c, this is its twin, bit for bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from envlab.digital.fixed_frame import LEAST_BITS, MOST_BITS, MOST_CHANNELS, WORD_MOST, pixel_code
from envlab.errors import ParameterError, check_range
from envlab.units import IntArray

NEVER = WORD_MOST
"""Start of a rank that no duty lights."""
FRACTIONS = (16, 8, 0)
"""Bits behind the point of a slope: whole bytes, which an 8 bit processor drops at no cost."""
PART_BITS = 16
MOST_BYTE_RANKS = 256


class LayoutState(NamedTuple):
    """Where a travelling picture stands: its first pixel, and how far on to the next, in 1/65536."""

    place: int = 0
    part: int = 0


LAYOUT_START = LayoutState()


@dataclass(frozen=True)
class LayoutTable:
    """A layout as the firmware has it.

    rank_of_pixel (pixels): 0 and up, of each place of the standing picture. starts, slopes (ranks): words; a
    rank of start s shows of a common duty d above s rest + min((d - s)*slope/2^fraction, span), rounded down.
    rest, span: words, what every pixel shows at least, and at most beyond that. step: how far the picture
    travels in a frame, in 1/65536 of a pixel, 0 where it stands. bits: depth of a pixel's code, 8 to 16.
    """

    rank_of_pixel: tuple[int, ...]
    starts: tuple[int, ...]
    slopes: tuple[int, ...]
    fraction: int
    rest: int
    span: int
    step: int
    bits: int

    def __post_init__(self) -> None:
        check_range("pixels", self.pixels, 1, MOST_CHANNELS)
        check_range("ranks", self.ranks, 1, self.pixels)
        check_range("bits", self.bits, LEAST_BITS, MOST_BITS, unit="bit")
        if self.fraction not in FRACTIONS:
            raise ParameterError("fraction", self.fraction, f"one of {', '.join(map(str, FRACTIONS))}")
        check_range("rest + span", self.rest + self.span, 0, WORD_MOST)
        words = (*self.starts, *self.slopes, self.rest, self.span, self.step)
        for word in words:
            if isinstance(word, bool) or not isinstance(word, int) or not 0 <= word <= WORD_MOST:
                raise ParameterError("word of a layout", word, f"a whole number from 0 to {WORD_MOST}")
        if len(self.slopes) != self.ranks or set(self.rank_of_pixel) != set(range(self.ranks)):
            raise ParameterError(
                "rank_of_pixel", len(self.slopes), "ranks from 0 on without a gap, with words"
            )

    @property
    def pixels(self) -> int:
        """Pixels of the chain."""
        return len(self.rank_of_pixel)

    @property
    def ranks(self) -> int:
        """Ranks, at most one a pixel."""
        return len(self.starts)

    @property
    def table_bytes(self) -> int:
        """Bytes of program memory: one or two for the rank of each pixel, four for each rank."""
        return self.pixels * (2 if self.ranks > MOST_BYTE_RANKS else 1) + 4 * self.ranks

    @property
    def travels(self) -> bool:
        """Whether the picture moves along the chain."""
        return self.step > 0

    def pixels_per_second(self, frame_rate_hz: float) -> float:
        """Return how fast the picture travels at so many frames a second, Hz."""
        return self.step / (1 << PART_BITS) * frame_rate_hz


def rank_duties(table: LayoutTable, duties: IntArray) -> IntArray:
    """Return the duty words (frames, ranks) at common duties (frames,), words 0..65535: rank by envelope."""
    given = np.asarray(duties, np.int64)
    if given.ndim != 1 or (given.size and (given.min() < 0 or given.max() > WORD_MOST)):
        raise ParameterError("duties", given.shape, f"a row of words from 0 to {WORD_MOST}")
    over = np.maximum(given[:, None] - np.array(table.starts), 0)
    ramps = np.minimum(over * np.array(table.slopes) >> table.fraction, table.span)
    lit: IntArray = table.rest + ramps
    return lit


def standing_duties(table: LayoutTable, duties: IntArray) -> IntArray:
    """Return the duty words (frames, pixels) of the standing picture at common duties (frames,), words."""
    standing: IntArray = rank_duties(table, duties)[:, np.array(table.rank_of_pixel)]
    return standing


def picture_places(
    table: LayoutTable, frames: int, state: LayoutState | None = None
) -> tuple[IntArray, LayoutState]:
    """Return where the picture's first pixel stands in each frame (frames,), and the state behind them.

    Each frame moves the picture on before it is shown. state: what a run before ended with, None for the
    start. Two runs equal one.
    """
    begin = LAYOUT_START if state is None else state
    if not (0 <= begin.place < table.pixels and 0 <= begin.part <= WORD_MOST):
        raise ParameterError("state", tuple(begin), f"a place below {table.pixels} and a part of 16 bit")
    moved = begin.part + table.step * np.arange(1, frames + 1, dtype=np.int64)
    places: IntArray = (begin.place + (moved >> PART_BITS)) % table.pixels
    if not frames:
        return places, begin
    return places, LayoutState(int(places[-1]), int(moved[-1]) & WORD_MOST)


def turned(pictures: IntArray, places: IntArray) -> IntArray:
    """Return pictures (frames, ..., pixels), each turned on along the chain by its place.

    places (frames,): pixels, 0 and up.
    """
    pixels = pictures.shape[-1]
    source = (np.arange(pixels) - np.asarray(places)[:, None]) % pixels
    shape = (source.shape[0], *(1,) * (pictures.ndim - 2), pixels)
    shown: IntArray = np.take_along_axis(pictures, source.reshape(shape), axis=-1)
    return shown


def pixel_duties(
    table: LayoutTable, duties: IntArray, state: LayoutState | None = None
) -> tuple[IntArray, LayoutState]:
    """Return the duty words (frames, pixels) that pixels show at common duties (frames,), and the state."""
    places, end = picture_places(table, np.asarray(duties).size, state)
    standing = standing_duties(table, duties)
    return (turned(standing, places) if table.travels else standing), end


def pixel_codes(
    table: LayoutTable, duties: IntArray, state: LayoutState | None = None, *, bits: int | None = None
) -> tuple[IntArray, LayoutState]:
    """Return the codes (frames, pixels) of white pixels at common duties (frames,), and the state behind
    them.

    The nearest codes, half up, one for all channels of a pixel, as the exported C shows them where it does
    not dither. duties: words 0..65535 behind the flash guard. state: what a run before ended with, None for
    the start; two runs equal one. bits: another depth than the pixels' own, 1 to 16: with dithering the depth
    that a whole pattern has.

    >>> two_of_three = LayoutTable((0, 1, 2), (0, 30_000, NEVER), (512, 512, 0), 8, 0, 60_000, 0, 8)
    >>> pixel_codes(two_of_three, np.array([0, 15_000, 30_000, 45_000]))[0].tolist()
    [[0, 0, 0], [117, 0, 0], [233, 0, 0], [233, 117, 0]]
    """
    shown, end = pixel_duties(table, duties, state)
    return pixel_code(shown, table.bits if bits is None else bits), end
