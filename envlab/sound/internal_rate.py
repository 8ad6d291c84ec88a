"""How finely in time circuits must be computed on a sound: as coarsely as the error allowed lets them be.

Steps of a circuit that follows a wave err with the square of the step. What counts is how sharply the wave
bends, how far beyond clipping it goes, as a corner that falls between two samples is not seen, and how
quickly the detector charges. At half the rate a board takes half the time.

The shares below are our own, measured: open recordings at 88.2 and 176.4 kHz against 352.8 kHz, under
clipping and two, five and ten times beyond, attacks from 0.1 to 10 ms; tones against a solution in continuous
time. They keep what is held within 2e-3 of its peak, as the full rate does, and are held to it by
tests/analog/test_truth_of_rates.py. Worst are steady tones of which close to a whole number of samples makes
a cycle, as each cycle then errs alike: the shares are theirs. Such a tone that is cut off besides may err by
up to 5e-3, 0.04 dB; no recording did.
"""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np

from envlab.sound.feed import Pieces
from envlab.sound.interpolate import INTERNAL_RATE_MIN_HZ, internal_rate_hz
from envlab.units import FloatArray

INTERNAL_RATES_MIN_HZ = (88_200, 176_400, 264_600, INTERNAL_RATE_MIN_HZ)
# Attacks, and for each how many cycles of the tone that bends as a sound does may pass in a sample; between
# them along a line in logarithms.
_ATTACKS_S, _MOST_CYCLES = (1e-4, 1e-3), (0.025, 0.038)
# A sound that goes so many times beyond clipping counts as bending more sharply by this power of it.
_BEYOND_CLIPPING = 0.45


class Bending(Protocol):
    """What of a sound says how finely it must be heard."""

    @property
    def sample_rate_hz(self) -> float:
        """Samples a second, Hz."""

    @property
    def bend_hz(self) -> float:
        """As Bend.frequency_hz has it."""

    @property
    def within_pa(self) -> float:
        """What no sample's magnitude exceeds, Pa."""


def needed_rate_min_hz(sound: Bending, clips_pa: float, attack_s: float) -> int:
    """Return the least internal rate at which boards may hear a sound, Hz, one of INTERNAL_RATES_MIN_HZ.

    Parameters
    ----------
    sound
        As loud as they hear it.
    clips_pa
        Peak pressure from which on one of them clips, Pa, above 0.
    attack_s
        The shortest time constant with which one of their detectors charges, s; under 0.1 ms the full rate.
    """
    if attack_s < _ATTACKS_S[0]:
        return INTERNAL_RATE_MIN_HZ
    cycles = float(np.exp(np.interp(math.log(attack_s), np.log(_ATTACKS_S), np.log(_MOST_CYCLES))))
    bends_hz = sound.bend_hz * max(1.0, sound.within_pa / clips_pa) ** _BEYOND_CLIPPING
    for least_hz in INTERNAL_RATES_MIN_HZ[:-1]:
        if bends_hz <= cycles * internal_rate_hz(sound.sample_rate_hz, least_hz):
            return least_hz
    return INTERNAL_RATE_MIN_HZ


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
