"""How sharply a sound bends, which says how finely in time the circuit behind it must be computed."""

from __future__ import annotations

import math

import numpy as np

from envlab.sound.feed import Pieces
from envlab.units import FloatArray


class Bend:
    """Watches a sound go by in pieces of any length; before its first sample is silence."""

    def __init__(self) -> None:
        self._last: FloatArray = np.zeros(2)
        self._most = self._peak = 0.0

    def take(self, piece: FloatArray) -> None:
        """Look at the next piece, shape (n,), in any unit."""
        around = np.concatenate((self._last, piece))
        self._most = max(self._most, float(np.abs(np.diff(around, 2)).max(initial=0.0)))
        self._peak = max(self._peak, float(np.abs(piece).max(initial=0.0)))
        self._last = around[-2:]

    def frequency_hz(self, sample_rate_hz: float) -> float:
        """Return which tone of the sound's peak bends as sharply as the sound does where it does so most.

        Behind the last sample is silence. 0 Hz for silence, at most half of sample_rate_hz. A tone of
        amplitude a has second differences of up to 4·a·sin²(π·frequency/rate).
        """
        self.take(np.zeros(2))
        if self._peak == 0.0:
            return 0.0
        return sample_rate_hz / math.pi * math.asin(math.sqrt(min(1.0, self._most / (4.0 * self._peak))))


def bend_hz(pieces: Pieces, sample_rate_hz: float) -> float:
    """Return Bend.frequency_hz of a sound that comes in pieces."""
    bend = Bend()
    for piece in pieces:
        bend.take(piece)
    return bend.frequency_hz(sample_rate_hz)
