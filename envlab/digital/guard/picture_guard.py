"""The flash guard's words for pixels: what it must allow for where colours round otherwise than white.

The guard counts the code that white would have. A channel of another colour rounds for itself: at 8 bit a
picture may change by a tenth of its light while white changes by a code less, or be darker than four fifths
while white is not. Allowing for some codes (slack) makes the guard count those changes too. A colour so dim
that one of its codes is a flash cannot be guarded: take deeper pixels, or dither.
"""

from __future__ import annotations

import numpy as np

from envlab.digital.fixed_frame import FrameWords, dither_threshold, most_word, pixel_code, scale_words
from envlab.digital.guard.guard_words import GuardWords, guard_words, nearest_code
from envlab.errors import check_range
from envlab.units import IntArray

WORD_BITS = 16


def frame_guard_words(
    frame: FrameWords,
    frame_rate_hz: float,
    brightest_duty: int,
    *,
    fits_always: bool = True,
    slack_codes: int = 0,
) -> GuardWords:
    """Return the guard's words for a light of these pixels.

    brightest_duty: of the table, 1..65535. fits_always: whether all channels may have it at once; if not, the
    brightest state of a picture lies between the duty at which all channels fit and this one, and every duty
    is held at LightPath.largest_duty before the guard. slack_codes: as picture_slack_codes gives it. Raises
    ParameterError as guard_words does.

    >>> frame_guard_words(FrameWords(24, 3, 8, 5059, 0, 100), 100.0, 65_535, fits_always=False).least
    7
    """
    bits = WORD_BITS if frame.dither_bits else frame.bits
    if fits_always:
        return guard_words(frame_rate_hz, bits=bits, brightest_duty=brightest_duty, slack_codes=slack_codes)
    fits = most_word(frame.limit // (frame.pixels * frame.channels), frame.bits, frame.dither_bits)
    return guard_words(
        frame_rate_hz,
        bits=bits,
        brightest_duty=brightest_duty,
        dimmest_full_duty=min(fits, brightest_duty),
        always_duty=min(fits, brightest_duty),
        slack_codes=slack_codes,
    )


def picture_slack_codes(frame: FrameWords, colours: IntArray, brightest_duty: int) -> int:
    """Return the least slack with which the guard counts every flash of a picture, in codes that it counts.

    colours (channels of the chain,): words, 65535 is full. brightest_duty: 1..65535, which the limit leaves
    as it is. Found by trying every duty. A picture that no duty lights needs none.
    """
    check_range("brightest_duty", brightest_duty, 1, 0xFFFF)
    light = picture_light(frame, colours, np.arange(brightest_duty + 1))
    full = int(light[-1])
    if full == 0:
        return 0
    bits = WORD_BITS if frame.dither_bits else frame.bits
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
    return max(0, short, int(dark[-1]) + 1 - dark_below)


def picture_light(frame: FrameWords, colours: IntArray, duties: IntArray) -> IntArray:
    """Return the sum of all codes (any shape) at duties that the limit leaves as they are, 0..65535.

    colours (channels of the chain,): words. With dithering summed over a whole pattern.
    """
    words, counts = np.unique(np.asarray(colours, np.int64), return_counts=True)
    total = np.zeros(np.shape(duties), np.int64)
    for phase in range(1 << frame.dither_bits):
        threshold = dither_threshold(phase, frame.bits, frame.dither_bits)
        for word, count in zip(words.tolist(), counts.tolist(), strict=True):
            total += count * pixel_code(scale_words(duties, word), frame.bits, threshold)
    return total
