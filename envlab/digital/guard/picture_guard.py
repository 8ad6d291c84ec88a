"""The flash guard's words for pixels: what it must allow for where colours round otherwise than white.

The guard counts the code that white would have. A channel of another colour rounds for itself: at 8 bit a
picture may change by a tenth of its light while white changes by a code less, or be darker than four fifths
while white is not. Allowing for some codes (slack) makes the guard count those changes too. A colour so dim
that one of its codes is a flash cannot be guarded: take deeper pixels, or dither.

A layout of light shows at each duty another picture, whose light is no multiple of white's; what it needs is
found in the same way (envlab.light.layout.layout says why that is enough).
"""

from __future__ import annotations

import functools

import numpy as np

from envlab.digital.fixed_frame import FrameWords, dither_threshold, most_word, pixel_code, scale_words
from envlab.digital.guard.guard_words import GuardWords, guard_words, nearest_code
from envlab.digital.pixel_layout import LayoutTable
from envlab.errors import check_range
from envlab.units import IntArray

WORD_BITS = 16


def counted_bits(frame: FrameWords, layout: LayoutTable | None = None) -> int:
    """Return the depth at which the guard counts a light of these pixels: their own, or that of a word.

    Of a word where they dither or a layout shares the light out: then the whole has more levels than a pixel.
    """
    return frame.bits if layout is None and not frame.dither_bits else WORD_BITS


def frame_guard_words(
    frame: FrameWords,
    frame_rate_hz: float,
    brightest_duty: int,
    *,
    fits_always: bool = True,
    slack_codes: int = 0,
    bits: int | None = None,
) -> GuardWords:
    """Return the guard's words for a light of these pixels.

    brightest_duty: of the table, 1..65535. fits_always: whether all channels may have it at once; if not, the
    brightest state of a picture lies between the duty at which all channels fit and this one, and every duty
    is held at LightPath.largest_duty before the guard. slack_codes: as picture_slack_codes gives it. bits: as
    counted_bits gives it, None: of pixels without a layout. Raises ParameterError as guard_words does.

    >>> frame_guard_words(FrameWords(24, 3, 8, 5059, 0, 100), 100.0, 65_535, fits_always=False).least
    7
    """
    counted = counted_bits(frame) if bits is None else bits
    if fits_always:
        return guard_words(
            frame_rate_hz, bits=counted, brightest_duty=brightest_duty, slack_codes=slack_codes
        )
    fits = most_word(frame.limit // (frame.pixels * frame.channels), frame.bits, frame.dither_bits)
    return guard_words(
        frame_rate_hz,
        bits=counted,
        brightest_duty=brightest_duty,
        dimmest_full_duty=min(fits, brightest_duty),
        always_duty=min(fits, brightest_duty),
        slack_codes=slack_codes,
    )


def picture_slack_codes(
    frame: FrameWords, colours: IntArray, brightest_duty: int, layout: LayoutTable | None = None
) -> int:
    """Return the least slack with which the guard counts every flash of a picture, in codes that it counts.

    colours (channels of the chain,): words, 65535 is full. brightest_duty: 1..65535, which the limit leaves
    as it is. layout: which pixels light, None: all alike. Found by trying every duty. A picture that no duty
    lights needs none.
    """
    check_range("brightest_duty", brightest_duty, 1, 0xFFFF)
    words = np.ascontiguousarray(colours, np.int64)
    return _slack(frame, words.tobytes(), brightest_duty, layout)


@functools.lru_cache(maxsize=64)
def _slack(frame: FrameWords, colours: bytes, brightest_duty: int, layout: LayoutTable | None) -> int:
    light = _light_of_every_duty(frame, np.frombuffer(colours, np.int64), brightest_duty, layout)
    full = int(light[-1])
    if full == 0:
        return 0
    bits = counted_bits(frame, layout)
    codes = pixel_code(np.arange(brightest_duty + 1), bits)
    first = np.flatnonzero(np.diff(codes, prepend=-1))
    last = np.append(first[1:], codes.size) - 1
    darkest, lightest = light[first], light[last]
    top = nearest_code(brightest_duty, bits)
    dark = np.flatnonzero(5 * darkest < 4 * full)
    # For each dark code the nearest one that may stand a tenth of the light above it.
    above = np.searchsorted(10 * lightest, 10 * darkest[dark] + full)
    steps = (above - dark)[above < lightest.size]
    least, dark_below = -(-top // 10), -(-4 * top // 5)
    short = least - int(steps.min(initial=least))
    return max(0, short, int(dark.max(initial=-1)) + 1 - dark_below)


def picture_light(
    frame: FrameWords, colours: IntArray, duties: IntArray, layout: LayoutTable | None = None
) -> IntArray:
    """Return the sum of all codes (any shape) at duties that the limit leaves as they are, 0..65535.

    colours (channels of the chain,): words. layout: which pixels light, None: all alike. With dithering
    summed over a whole pattern.
    """
    if layout is not None:
        asked = np.asarray(duties, np.int64)
        return _light_of_every_duty(frame, np.asarray(colours, np.int64), int(asked.max(initial=0)), layout)[
            asked
        ]
    words, counts = np.unique(np.asarray(colours, np.int64), return_counts=True)
    total = np.zeros(np.shape(duties), np.int64)
    for phase in range(1 << frame.dither_bits):
        threshold = dither_threshold(phase, frame.bits, frame.dither_bits)
        for word, count in zip(words.tolist(), counts.tolist(), strict=True):
            total += count * pixel_code(scale_words(duties, word), frame.bits, threshold)
    return total


def _light_of_every_duty(
    frame: FrameWords, colours: IntArray, brightest_duty: int, layout: LayoutTable | None
) -> IntArray:
    """Return picture_light (brightest_duty + 1,) at every duty from 0 on.

    Each rank is computed only where it rises; what it has behind that is added once and summed up.
    """
    if layout is None:
        return picture_light(frame, colours, np.arange(brightest_duty + 1))
    ranks = np.repeat(np.array(layout.rank_of_pixel), frame.channels)
    alike, counts = np.unique(np.stack((ranks, colours)), axis=1, return_counts=True)
    steps = np.zeros(brightest_duty + 2, np.int64)
    light = np.zeros(brightest_duty + 1, np.int64)
    for rank, word, count in zip(*alike.tolist(), counts.tolist(), strict=True):
        start = min(layout.starts[rank], brightest_duty)
        end = min(_full_from(layout, rank), brightest_duty)
        shown = _rank_light(frame, word, layout, rank, np.arange(start, end + 1))
        steps[0] += count * shown[0]
        steps[start] -= count * shown[0]
        light[start : end + 1] += count * shown
        steps[end + 1] += count * shown[-1]
    every: IntArray = light + np.cumsum(steps)[:-1]
    return every


def _full_from(layout: LayoutTable, rank: int) -> int:
    """Return the first duty at which a rank is at its top; one that never lights is so from its start on."""
    slope = layout.slopes[rank]
    return layout.starts[rank] + (-(-(layout.span << layout.fraction) // slope) if slope else 0)


def _rank_light(frame: FrameWords, word: int, layout: LayoutTable, rank: int, duties: IntArray) -> IntArray:
    """Return the codes of one channel at duties (any number), summed over a pattern of the dither."""
    over = np.maximum(duties - layout.starts[rank], 0)
    asked = scale_words(
        layout.rest + np.minimum(over * layout.slopes[rank] >> layout.fraction, layout.span), word
    )
    total = np.zeros(duties.shape, np.int64)
    for phase in range(1 << frame.dither_bits):
        total += pixel_code(asked, frame.bits, dither_threshold(phase, frame.bits, frame.dither_bits))
    return total
