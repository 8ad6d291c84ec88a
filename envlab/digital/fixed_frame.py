"""What the firmware does to a frame of pixels, in whole numbers: current limit, depth, temporal dithering.

Duties and colours are linear light in 16 bit; a colour or factor word f stands for (f + 1)/65536. A fine duty
is a duty in the pixel's own codes with the 16 - bits binary places behind them that 16 bit leave, cut there.
One rule turns it into a code: add a threshold, drop the places. With half a code as the threshold this is the
nearest code to duty/65535 of full light, half up, exactly; thresholds that change from refresh to refresh are
dithering.

The limit counts codes, for what is shown is what draws the current. A frame whose codes fit is shown as it
is. Any other is scaled down as a whole, and codes are cut instead of rounded. The remainder of each product
is handed on to the next channel, so that the fine duties sum up to what the factor makes of their sum. With
n lit channels and a limit of L codes the codes shown sum up to L - n at least and to L at most:

- at most: the scaled fine duties sum up to at most T = L·u + u - 1 (u = 2^(16 - bits), one code), and codes
  cut from them sum up to at most the whole part of T/u, which is L;
- at least: the factor g = floor(65536·T/S) of the sum S loses less than S/65536 < n, the whole sum's
  remainder less than 1, each cut at most u - 1. So u·(sum of codes) > T - n - 1 - n·(u - 1) + n/65536, and
  with u of 2 or more that is more than u·(L - n); with u = 1 it is more than L - n - 1.

So at 20 codes a channel and above at least 95 % of the limit are used, whatever the colours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from envlab.errors import ParameterError, check_positive, check_range
from envlab.units import IntArray

WORD_MOST = 0xFFFF
SUM_MOST = (1 << 31) - 1
MOST_CHANNELS = SUM_MOST // WORD_MOST
LEAST_BITS, MOST_BITS = 8, 16
LOWEST_REPETITION_HZ = 200.0
MOST_DITHER_BITS = 4


class FrameWords(NamedTuple):
    """What the frame part of the runtime works with.

    pixels, channels: of the chain, and of one pixel. bits: depth of a code, 8 to 16. limit: largest sum of
    all codes of a frame. dither_bits: 0 for none. refresh_hz: how often the pixels are written, Hz.
    """

    pixels: int
    channels: int
    bits: int
    limit: int
    dither_bits: int
    refresh_hz: int


def check_frame_words(words: FrameWords) -> None:
    """Raise ParameterError unless the runtime can work with these words."""
    for name, value in words._asdict().items():
        if isinstance(value, bool) or not isinstance(value, int):
            raise ParameterError(name, value, "a whole number")
    check_range("bits", words.bits, LEAST_BITS, MOST_BITS, unit="bit")
    check_range("pixels", words.pixels, 1, MOST_CHANNELS)
    check_range("channels", words.channels, 1, 8)
    check_range("pixels", words.pixels * words.channels, 1, MOST_CHANNELS, unit="channels")
    full = full_code(words.bits)
    check_range("limit", words.limit, full, words.pixels * words.channels * full, unit="codes")
    check_range("dither_bits", words.dither_bits, 0, most_dither_bits(words.bits))
    check_range("refresh_hz", words.refresh_hz, 1, WORD_MOST, unit="Hz")


def full_code(bits: int) -> int:
    """Return the code of full light, 2^bits - 1."""
    return (1 << bits) - 1


def most_dither_bits(bits: int) -> int:
    """Return how many bits of dithering fit behind codes of so many bits in 16 bit arithmetic."""
    return max(0, min(MOST_DITHER_BITS, 15 - bits))


def scale_words(values: IntArray, factors: IntArray | int) -> IntArray:
    """Return values * (factors + 1) / 65536, rounded down; both 0..65535, any shapes that fit."""
    scaled: IntArray = np.asarray(values, np.int64) * (np.asarray(factors, np.int64) + 1) >> 16
    return scaled


def fine_duty(duties: IntArray, bits: int) -> IntArray:
    """Return duties (0..65535, any shape) in codes of 1 to 16 bits with 16 - bits binary places, cut there.

    That is floor(duty·(2^bits - 1)·2^(16 - bits)/65535). Firmware has it without division: with h the upper
    bits and l the lower bits places of the duty, duty - h - (1 if l·(2^(16 - bits) - 1) > h·(2^bits - 1)).
    """
    fine: IntArray = np.asarray(duties, np.int64) * (65_536 - (1 << (16 - bits))) // WORD_MOST
    return fine


def nearest_threshold(bits: int) -> int:
    """Return the threshold that rounds a fine duty to the nearest code, half up; 0 at 16 bit."""
    return (1 << (16 - bits)) >> 1


def pixel_code(duties: IntArray, bits: int, thresholds: IntArray | int | None = None) -> IntArray:
    """Return codes of 1 to 16 bits of duties (0..65535), any shape: the nearest, half up.

    thresholds: instead of the nearest code's, those of a dither pattern (dither_threshold).

    >>> pixel_code(np.array([0, 128, 129, 65_535]), 8).tolist()
    [0, 0, 1, 255]
    """
    added = nearest_threshold(bits) if thresholds is None else np.asarray(thresholds, np.int64)
    codes: IntArray = (fine_duty(duties, bits) + added) >> (16 - bits)
    return codes


def dither_threshold(phase: int, bits: int, dither_bits: int) -> int:
    """Return the threshold of a phase, 0 or more: its low bits mirrored, top bit first, half a step on top.

    Over 2^dither_bits phases each of as many evenly spaced thresholds comes once, so that the codes' mean is
    the duty, rounded half up to 1/2^dither_bits of a code. Without dithering it is the nearest code's.
    """
    unit = 1 << (16 - bits)
    mirrored = sum((unit >> (k + 1)) for k in range(dither_bits) if phase >> k & 1)
    return mirrored + (unit >> (dither_bits + 1))


def highest_threshold(bits: int, dither_bits: int = 0) -> int:
    """Return the largest threshold that any phase has."""
    return dither_threshold((1 << dither_bits) - 1, bits, dither_bits)


def most_word(code: int, bits: int, dither_bits: int = 0) -> int:
    """Return the largest duty (0..65535) that no phase shows above a code of 8 to 16 bits.

    >>> most_word(70, 8), pixel_code(np.array([18_118, 18_119]), 8).tolist()
    (18118, [70, 71])
    """
    unit = 1 << (16 - bits)
    too_fine = (code + 1) * unit - highest_threshold(bits, dither_bits)
    return min((WORD_MOST * too_fine - 1) // (65_536 - unit), WORD_MOST)


def frame_factor(total: int, limit: int) -> int:
    """Return the factor that brings a sum within a limit: 65535 if total <= limit.

    total: at most 2^31 - 1. limit: 65535 or more, in the same unit. Scaled by the factor, the sum does not
    pass the limit, and the next factor would.
    """
    check_range("total", total, 0, SUM_MOST)
    check_range("limit", limit, WORD_MOST, SUM_MOST)
    return WORD_MOST if total <= limit else (limit << 16) // total - 1


def frame_codes(words: FrameWords, duties: IntArray, thresholds: IntArray | int | None = None) -> IntArray:
    """Return the codes shown for frames of duties, both (..., channels), every channel of every pixel.

    thresholds (channels,): those of one refresh (refresh_thresholds); None: the nearest code's. A frame that
    its highest threshold takes above words.limit is scaled down and shown without dithering. Bit for bit
    the C runtime.
    """
    given = np.asarray(duties, np.int64)
    if (
        given.shape[-1] != words.pixels * words.channels
        or given.min(initial=0) < 0
        or given.max(initial=0) > WORD_MOST
    ):
        limit = f"{words.pixels * words.channels} channels, each from 0 to 65535"
        raise ParameterError("duties", given.shape, limit)
    shown = pixel_code(given, words.bits, thresholds)
    highest = highest_threshold(words.bits, words.dither_bits)
    limited = pixel_code(given, words.bits, highest).sum(axis=-1) > words.limit
    if limited.any():
        shown[limited] = _scaled_down(words, fine_duty(given[limited], words.bits))
    return shown


def _scaled_down(words: FrameWords, fine: IntArray) -> IntArray:
    """Return the codes of frames (frames, channels) of fine duties that are over the limit."""
    unit = 1 << (16 - words.bits)
    most = words.limit * unit + unit - 1
    factors = np.array([frame_factor(int(total), most) for total in fine.sum(axis=-1).ravel()])
    running = np.cumsum(fine * (factors.reshape(*fine.shape[:-1], 1) + 1), axis=-1) >> 16
    cut: IntArray = np.diff(running, axis=-1, prepend=0) >> (16 - words.bits)
    return cut


def refresh_thresholds(words: FrameWords, phase: int) -> IntArray:
    """Return the thresholds (channels,) of the refresh of a phase, 0..255: each pixel is one phase on."""
    period = 1 << words.dither_bits
    row = [dither_threshold(k, words.bits, words.dither_bits) for k in range(period)]
    of_pixel = np.array(row)[(phase + np.arange(words.pixels)) % period]
    return np.repeat(of_pixel, words.channels)


@dataclass(frozen=True)
class Dither:
    """Temporal dithering: 2^bits refreshes show together what the pixel's depth alone cannot.

    bits: 1 to 4. refresh_hz: rate at which pixels are written. Refused where the pattern would repeat slower
    than 200 Hz, for then the lowest duties would be seen to flicker (common practice, no source).
    """

    bits: int
    refresh_hz: float

    def __post_init__(self) -> None:
        if isinstance(self.bits, bool) or not isinstance(self.bits, int):
            raise ParameterError("bits", self.bits, "a whole number")
        check_range("bits", self.bits, 1, MOST_DITHER_BITS)
        check_positive("refresh_hz", self.refresh_hz, unit="Hz")
        if self.repetition_hz < LOWEST_REPETITION_HZ:
            needed = LOWEST_REPETITION_HZ * (1 << self.bits)
            raise ParameterError(
                "refresh_hz", self.refresh_hz, f"at least {needed:g} Hz for {self.bits} bits"
            )

    @property
    def repetition_hz(self) -> float:
        """Rate at which the whole pattern repeats, Hz."""
        return self.refresh_hz / (1 << self.bits)


def slowest_refresh_hz(dither_bits: int, frame_rate_hz: float) -> float:
    """Return the slowest refresh, Hz, that dithers unseen with a whole number of refreshes a frame.

    >>> slowest_refresh_hz(2, 100.0)
    800.0
    """
    check_positive("frame_rate_hz", frame_rate_hz, unit="Hz")
    if dither_bits == 0:
        return float(frame_rate_hz)
    needed_hz = LOWEST_REPETITION_HZ * (1 << dither_bits)
    return frame_rate_hz * max(1, int(np.ceil(needed_hz / frame_rate_hz - 1e-9)))
