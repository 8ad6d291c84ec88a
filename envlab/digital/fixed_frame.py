"""What the firmware does to a frame of pixels, in whole numbers: current limit, depth, temporal dithering.

Duties and colours are linear light in 16 bit; a colour or factor word f stands for (f + 1)/65536.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.errors import ParameterError, check_positive, check_range
from envlab.units import IntArray

SUM_MOST = (1 << 31) - 1
LEAST_LIMIT = 1 << 16
LOWEST_REPETITION_HZ = 200.0


def scale_words(values: IntArray, factors: IntArray | int) -> IntArray:
    """Return values * (factors + 1) / 65536, rounded down; both 0..65535, any shapes that fit."""
    scaled: IntArray = np.asarray(values, np.int64) * (np.asarray(factors, np.int64) + 1) >> 16
    return scaled


def frame_factor(total: int, limit: int) -> int:
    """Return the factor that keeps a frame within its current: 65535 if total <= limit.

    total: sum of all channels' duties, at most 2^31 - 1. limit: most that the supply bears, in the same
    unit, 65536 or more. Scaled by the factor, no sum passes the limit.
    """
    check_range("total", total, 0, SUM_MOST)
    check_range("limit", limit, LEAST_LIMIT, SUM_MOST)
    return 0xFFFF if total <= limit else (limit << 16) // total - 1


def byte_duty(duties: IntArray, thresholds: IntArray | int = 0) -> IntArray:
    """Return 8 bit duties of 16 bit ones, any shape: code/255 never above duty/65535.

    thresholds (0..255) of a dither sequence decide when the part that is cut off rounds up.
    """
    words = np.asarray(duties, np.int64)
    codes: IntArray = (words - (words >> 8) + np.asarray(thresholds, np.int64)) >> 8
    return codes


@dataclass(frozen=True)
class Dither:
    """Temporal dithering: 2^bits frames show together what 8 bit alone cannot.

    bits: 1 to 4. refresh_hz: rate at which pixels are written. Refused where the pattern would repeat slower
    than 200 Hz, for then the lowest duties would be seen to flicker (common practice, no source).
    """

    bits: int
    refresh_hz: float

    def __post_init__(self) -> None:
        if isinstance(self.bits, bool) or not isinstance(self.bits, int):
            raise ParameterError("bits", self.bits, "a whole number")
        check_range("bits", self.bits, 1, 4)
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

    def threshold(self, phase: int) -> int:
        """Return the threshold (0..255) of a phase, 0..255: the phase's low bits mirrored, top bit first."""
        return sum(0x80 >> k for k in range(self.bits) if phase >> k & 1)
