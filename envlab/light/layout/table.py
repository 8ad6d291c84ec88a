"""The small table of a layout: ranks of the pixels, and when each starts and how steeply it rises.

Let N be the pixels, g the duty that the supply grants to all of them, D the brightest duty of the brightness
table, q the rest light and t the top of a lit pixel, all as shares of full. A layout that lights L pixels at
the top shows there N*q + L*(t - q), which is to be N*g: t = q + (g - q)*N/L, at most 1. Left to itself it
lights L = N*(g - q)/(1 - q) pixels, those that can be at full; the last of a bar then stays part of the way.

Below the top the light of the whole goes straight with the common duty d: at N*q + L*(t - q)*d/D. Ranks that
come in turn (bars) share that line out one after the other: rank r of n pixels, with c pixels before it, goes
from q to t between d = c*D/L and (c + n)*D/L. Ranks that shine together (share, travelling, weights) all
start at 0 and end at D, each at its own top.
"""

from __future__ import annotations

import functools
import math
from typing import NamedTuple

import numpy as np

from envlab.digital.fixed_frame import WORD_MOST, FrameWords, full_code, highest_threshold, pixel_code
from envlab.digital.pixel_layout import FRACTIONS, NEVER, LayoutTable, rank_duties
from envlab.errors import ParameterError, check_positive, check_range
from envlab.light.layout.layout import Layout
from envlab.units import FloatArray, IntArray

ROUNDS_PER_S = 3.0
"""A group that comes round more often makes every place flash more than three times a second by itself."""


class _Ranks(NamedTuple):
    """Ranks in plain numbers, those that never light behind the others.

    starts (ranks,): duty word at which each starts. slopes (ranks,): over duty, 0 for one that never lights.
    rank_of_pixel (pixels,). rise: by how much the brightest pixel rises, share of full.
    """

    starts: FloatArray
    slopes: FloatArray
    rank_of_pixel: IntArray
    rise: float


@functools.lru_cache(maxsize=64)  # every candidate of a sweep has the same pixels
def layout_table(
    layout: Layout, frame: FrameWords, *, brightest_duty: int = WORD_MOST, frame_rate_hz: float = 100.0
) -> LayoutTable:
    """Return the table of a layout on a chain of pixels.

    Parameters
    ----------
    layout : Layout
        What is asked.
    frame : FrameWords
        The pixels, their depth, and the largest sum of codes that the supply bears.
    brightest_duty : int
        Duty word, 1 to 65535, of the brightness table's brightest entry.
    frame_rate_hz : float
        Frames a second, Hz.

    Returns
    -------
    LayoutTable

    Raises
    ------
    ParameterError
        For rest light that takes all current, more ranks or a larger group than there are pixels, a share of
        less than one pixel, weights for another number of pixels, or a speed that the frames cannot show.

    Examples
    --------
    A quarter of 24 white pixels can be at full: the bar's seventh pixel stays part of the way.

    >>> from envlab.digital.pixel_layout import pixel_codes
    >>> yoke = FrameWords(24, 3, 8, 5059, 0, 100)
    >>> table = layout_table(Layout("from_end"), yoke, brightest_duty=18_060)
    >>> pixel_codes(table, np.array([0, 9_030, 18_060]))[0][:, :8].tolist()
    [[0, 0, 0, 0, 0, 0, 0, 0], [255, 255, 255, 75, 0, 0, 0, 0], [255, 255, 255, 255, 255, 255, 150, 0]]
    """
    check_range("brightest_duty", brightest_duty, 1, WORD_MOST)
    check_positive("frame_rate_hz", frame_rate_hz, unit="Hz")
    _check_fits(layout, frame.pixels, frame_rate_hz)
    if layout.is_all_alike:
        alike = _Ranks(np.zeros(1), np.ones(1), np.zeros(frame.pixels, np.int64), 1.0)
        return _table(layout, frame, alike, frame_rate_hz)
    return _brightest_that_fits(layout, frame, brightest_duty, frame_rate_hz)


def _brightest_that_fits(
    layout: Layout, frame: FrameWords, brightest_duty: int, frame_rate_hz: float
) -> LayoutTable:
    """Return the table that grants the most light whose codes, rounded each, fit what all alike have."""
    most = _most_of_all_alike(frame, brightest_duty)
    all_full = frame.pixels * frame.channels * full_code(frame.bits)
    granted_share = min(most / all_full, brightest_duty / WORD_MOST)

    def granting(duty: int) -> tuple[LayoutTable, bool]:
        table = _of(layout, frame, duty / WORD_MOST, brightest_duty, frame_rate_hz)
        return table, whole_light(table, frame, brightest_duty) <= most

    # 1e-6: a limit of exactly so many codes must not lose one of them to binary division.
    least, fails = math.ceil(layout.rest_light * WORD_MOST), math.floor(granted_share * WORD_MOST + 1e-6) + 1
    fits = least
    while fails - fits > 1:
        granted = (fits + fails) // 2
        fits, fails = (granted, fails) if granting(granted)[1] else (fits, granted)
    table, has_room = granting(fits)
    if fits <= least or not has_room:
        limit = f"below {granted_share:.3g}: rest light alone takes all that {frame.pixels} pixels may have"
        raise ParameterError("rest_light", layout.rest_light, limit)
    return table


def _most_of_all_alike(frame: FrameWords, brightest_duty: int) -> int:
    """Return the largest sum of codes that white has when all pixels are alike: within the limit, too."""
    channels = frame.pixels * frame.channels
    check_range("limit", frame.limit, low=channels, unit="codes, one for each channel")
    highest = highest_threshold(frame.bits, frame.dither_bits)
    code = int(pixel_code(np.array(brightest_duty), frame.bits, highest))
    return channels * min(code, frame.limit // channels)


def whole_light(table: LayoutTable, frame: FrameWords, duty: int) -> int:
    """Return the largest sum of all codes that white pixels have in any refresh at a common duty, a word."""
    shown = rank_duties(table, np.array([duty]))[0]
    highest = highest_threshold(frame.bits, frame.dither_bits)
    pixels = np.bincount(np.array(table.rank_of_pixel), minlength=table.ranks)
    return frame.channels * int((pixels * pixel_code(shown, frame.bits, highest)).sum())


def _of(
    layout: Layout, frame: FrameWords, granted: float, brightest_duty: int, frame_rate_hz: float
) -> LayoutTable:
    """Return the table with which the whole has so much light (share of all at full) at its brightest."""
    pixels, rest = frame.pixels, layout.rest_light
    full_share = (granted - rest) / (1.0 - rest) if granted > rest else 0.0
    if layout.kind == "weights":
        ranks = _weighted(layout, granted, brightest_duty)
    elif layout.kind in ("from_end", "from_middle"):
        lit = pixels * (full_share if layout.lit_share is None else layout.lit_share)
        ranks = _in_turn(_bar(layout, pixels), lit, _rise(granted, rest, pixels, lit), brightest_duty)
    else:
        ranks = _together(layout, granted, full_share, pixels, brightest_duty)
    return _table(layout, frame, ranks, frame_rate_hz)


def _rise(granted: float, rest: float, pixels: int, lit: float) -> float:
    """Return by how much a lit pixel lies above rest light at the top, share of full."""
    return min((granted - rest) * pixels / lit, 1.0 - rest) if lit > 0.0 else 0.0


def _bar(layout: Layout, pixels: int) -> IntArray:
    """Return the rank of each pixel of a bar."""
    place = np.arange(pixels)
    if layout.kind == "from_end":
        return place if layout.ranks is None else place * layout.ranks // pixels
    from_middle: IntArray = np.abs(2 * place - (pixels - 1)) // 2
    return from_middle if layout.ranks is None else from_middle * layout.ranks // _places_from_middle(pixels)


def _places_from_middle(pixels: int) -> int:
    return (pixels + 1) // 2


def _in_turn(rank_of_pixel: IntArray, lit: float, rise: float, brightest_duty: int) -> _Ranks:
    counts = np.bincount(rank_of_pixel)
    first = np.cumsum(counts) - counts
    duty_of_pixel = brightest_duty / lit if lit > 0.0 else math.inf
    slopes = np.where(first < lit, rise * WORD_MOST / (counts * duty_of_pixel), 0.0)
    starts = np.where(first < lit, first, 0) * (brightest_duty / max(lit, 1e-9))
    return _Ranks(starts, slopes, rank_of_pixel, rise)


def _together(layout: Layout, granted: float, full_share: float, pixels: int, brightest_duty: int) -> _Ranks:
    """Return the ranks of a group of whole pixels that shine together, and of the others."""
    lit = min(max(math.ceil(pixels * full_share - 1e-6), 1), pixels)
    if layout.group_pixels is not None:
        lit = layout.group_pixels
    elif layout.lit_share is not None:
        lit = round(pixels * layout.lit_share)
    chosen = np.arange(lit)
    if layout.kind == "share":
        chosen = (2 * chosen + 1) * pixels // (2 * lit)
    rank_of_pixel = np.ones(pixels, np.int64)
    rank_of_pixel[chosen] = 0
    rise = _rise(granted, layout.rest_light, pixels, lit)
    slopes = np.array([rise * WORD_MOST / brightest_duty, 0.0])
    return _Ranks(np.zeros(2), slopes, rank_of_pixel, rise)


def _weighted(layout: Layout, granted: float, brightest_duty: int) -> _Ranks:
    weights = np.array(layout.weights, np.float64) / max(layout.weights)
    different, rank_of_pixel = np.unique(-weights, return_inverse=True)
    rise = _rise(granted, layout.rest_light, weights.size, math.fsum(weights.tolist()))
    slopes = rise * -different * WORD_MOST / brightest_duty
    return _Ranks(np.zeros(different.size), slopes, rank_of_pixel.astype(np.int64), rise)


def _table(layout: Layout, frame: FrameWords, made: _Ranks, frame_rate_hz: float) -> LayoutTable:
    """Put plain ranks into words; those that never light become one, the last."""
    lit = int((made.slopes > 0.0).sum())
    rank_of_pixel = np.minimum(made.rank_of_pixel, lit)
    steepest = float(made.slopes.max())
    fraction = next(bits for bits in FRACTIONS if math.ceil(steepest * (1 << bits)) <= WORD_MOST or not bits)
    starts = np.floor(made.starts[:lit]).astype(np.int64).tolist()
    slopes = np.minimum(np.ceil(made.slopes[:lit] * (1 << fraction)), WORD_MOST).astype(np.int64).tolist()
    has_dark = bool((rank_of_pixel == lit).any())
    rest = round(layout.rest_light * WORD_MOST)
    return LayoutTable(
        rank_of_pixel=tuple(rank_of_pixel.tolist()),
        starts=tuple(starts + [NEVER] * has_dark),
        slopes=tuple(slopes + [0] * has_dark),
        fraction=fraction,
        rest=rest,
        span=min(round(made.rise * WORD_MOST), WORD_MOST - rest),
        step=_step(layout, frame_rate_hz),
        bits=frame.bits,
    )


def _step(layout: Layout, frame_rate_hz: float) -> int:
    if layout.kind != "travelling":
        return 0
    return min(max(round(layout.pixels_per_second / frame_rate_hz * (WORD_MOST + 1)), 1), WORD_MOST)


def _check_fits(layout: Layout, pixels: int, frame_rate_hz: float) -> None:
    """Raise ParameterError where a layout asks for other pixels than there are, or for too fast a travel."""
    places = _places_from_middle(pixels) if layout.kind == "from_middle" else pixels
    if layout.ranks is not None and layout.ranks > places:
        way = " from the middle" if layout.kind == "from_middle" else ""
        raise ParameterError("ranks", layout.ranks, f"at most {places} for a bar of {pixels} pixels{way}")
    if layout.group_pixels is not None and layout.group_pixels > pixels:
        raise ParameterError(
            "group_pixels", layout.group_pixels, f"at most {pixels}, the pixels that there are"
        )
    if layout.lit_share is not None and layout.lit_share * pixels < 1 - 1e-6:
        limit = f"at least {1 / pixels:.3g}, one of {pixels} pixels"
        raise ParameterError("lit_share", layout.lit_share, limit)
    if layout.kind == "weights" and len(layout.weights) != pixels:
        limit = f"{pixels} numbers, one for each pixel, not {len(layout.weights)}"
        raise ParameterError("weights", layout.weights, limit)
    if layout.kind == "travelling":
        most = min(ROUNDS_PER_S * pixels, frame_rate_hz)
        if layout.pixels_per_second > most:
            limit = f"at most {most:g}: three rounds of {pixels} pixels a second, one pixel a frame"
            raise ParameterError("pixels_per_second", layout.pixels_per_second, limit)
