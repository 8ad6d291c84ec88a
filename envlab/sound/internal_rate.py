"""How finely in time circuits must be computed on a sound: as coarsely as the error allowed lets them be.

Steps of a circuit that follows a wave err with the square of the step. What counts is how sharply the wave
bends, how far beyond clipping it goes, as a corner that falls between two samples is not seen, and how
quickly the detector charges: the quickest feels a bend of one sample, one of a millisecond the mean bend of a
while. At half the rate a board takes half the time.

The shares below are our own, measured: 165 open recordings at 88.2, 176.4 and 264.6 kHz against 352.8 kHz,
under clipping and up to ten times beyond, attacks from 0.1 to 4.5 ms; tones against a solution in continuous
time. They keep what is held within 2e-3 of its peak, as the full rate does, and are held to it by
tests/analog/test_truth_of_rates.py. The share for attacks of 0.1 ms is that of recordings that clip, the one
for 1 ms that of steady tones of which close to a whole number of samples makes a cycle, as each cycle then
errs alike. Such a tone that is cut off besides may err by up to 5e-3, 0.04 dB; no recording did.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from envlab.sound.feed import Pieces
from envlab.sound.interpolate import INTERNAL_RATE_MIN_HZ, internal_rate_hz
from envlab.units import FloatArray

INTERNAL_RATES_MIN_HZ = (88_200, 176_400, 264_600, INTERNAL_RATE_MIN_HZ)
# Attacks, and for each how many cycles of the tone that bends as a sound does may pass in a sample, and by
# which power of how many times it goes beyond clipping a sound counts as bending more sharply; between them
# along a line in logarithms.
_ATTACKS_S, _MOST_CYCLES, _BEYOND_CLIPPING = (1e-4, 1e-3), (0.018, 0.038), (1.2, 0.45)
# A while, s.
_BRIEFLY_S = 0.5e-3


@dataclass(frozen=True)
class Bends:
    """Which tone of its peak bends as sharply as a sound does where it does so most, 0 Hz for silence.

    at_once_hz: at one sample. briefly_hz: in the mean of half a millisecond.
    """

    at_once_hz: float
    briefly_hz: float


# Of silence.
STRAIGHT = Bends(0.0, 0.0)


class Bending(Protocol):
    """What of a sound says how finely it must be heard."""

    @property
    def sample_rate_hz(self) -> float:
        """Samples a second, Hz."""

    @property
    def bends(self) -> Bends:
        """How sharply it bends, Hz."""

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
    slow = float(np.clip(np.interp(math.log(attack_s), np.log(_ATTACKS_S), (0.0, 1.0)), 0.0, 1.0))
    cycles = _between(slow, *_MOST_CYCLES)
    bends_hz = _between(slow, sound.bends.at_once_hz, sound.bends.briefly_hz)
    beyond = (1 - slow) * _BEYOND_CLIPPING[0] + slow * _BEYOND_CLIPPING[1]
    bends_hz *= max(1.0, sound.within_pa / clips_pa) ** beyond
    for least_hz in INTERNAL_RATES_MIN_HZ[:-1]:
        if bends_hz <= cycles * internal_rate_hz(sound.sample_rate_hz, least_hz):
            return least_hz
    return INTERNAL_RATE_MIN_HZ


def _between(share: float, first: float, last: float) -> float:
    return float(first ** (1 - share) * last**share)


class Bend:
    """Watches a sound go by in pieces of any length; before its first sample is silence."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz, self._while = sample_rate_hz, max(1, round(_BRIEFLY_S * sample_rate_hz))
        self._last: FloatArray = np.zeros(2)
        self._before: FloatArray = np.zeros(self._while - 1)
        self._most = self._most_briefly = self._peak = 0.0

    def take(self, piece: FloatArray) -> None:
        """Look at the next piece, shape (n,), in any unit."""
        around = np.concatenate((self._last, piece))
        bent = np.concatenate((self._before, np.abs(np.diff(around, 2))))
        self._most = max(self._most, float(bent.max(initial=0.0)))
        self._most_briefly = max(self._most_briefly, float(_means(bent, self._while).max(initial=0.0)))
        self._peak = max(self._peak, float(np.abs(piece).max(initial=0.0)))
        self._last, self._before = around[-2:], bent[bent.size - self._while + 1 :]

    def found(self) -> Bends:
        """Return how sharply it bends; behind the last sample is silence.

        A tone of amplitude a has second differences of up to 4·a·sin²(π·frequency/rate), and in the mean of
        its cycle 2/π of that; in the mean of a part of one it may have more.
        """
        self.take(np.zeros(2))
        at_once_hz = self._tone_hz(self._most)
        return Bends(at_once_hz, min(at_once_hz, self._tone_hz(self._most_briefly * math.pi / 2)))

    def _tone_hz(self, most: float) -> float:
        if self._peak == 0.0:
            return 0.0
        return self._rate_hz / math.pi * math.asin(math.sqrt(min(1.0, most / (4.0 * self._peak))))


def bends_of(pieces: Pieces, sample_rate_hz: float) -> Bends:
    """Return how sharply a sound bends that comes in pieces, Hz."""
    bend = Bend(sample_rate_hz)
    for piece in pieces:
        bend.take(piece)
    return bend.found()


def _means(values: FloatArray, count: int) -> FloatArray:
    """Return the mean of each count neighbours, the same in whatever pieces the values come."""
    whole = max(0, values.size - count + 1)
    total, doubled, at = np.zeros(whole), values, 0
    for bit in range(count.bit_length()):
        if count >> bit & 1:
            total += doubled[at : at + whole]
            at += 1 << bit
        doubled = doubled[: -(1 << bit)] + doubled[1 << bit :]
    return total / count
