"""The clips of a specification as its boards hear them: at the internal rate that the sweep's extremes need.

Sweep, boards of the choice, tolerance and the exported firmware all hear a clip at one rate, so that what one
of them says of a design is what the others say. A chain by itself (Chain.run, envlab simulate) is computed at
the full rate.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from envlab.chain import CALIBRATION_HZ, Chain
from envlab.engine.board import response_before_rectifier
from envlab.engine.hold_stage import charging_s, steps_far
from envlab.sound.internal_rate import needed_rate_min_hz
from envlab.sound.stream import Sound
from envlab.study.specification.ranges import Choices, values_of, with_values
from envlab.study.specification.specification import Specification

# More combinations of a sweep's extremes than this are not looked through.
_MOST_EXTREMES = 1024
# A front end weighs the frequencies of a sound about alike: how much of what it passes at 1 kHz it passes at
# least at the first, and at most at the second frequency.
_BASS_HZ, _LEAST_BASS, _TREBLE_HZ, _MOST_TREBLE = 100.0, 0.5, 5e3, 1.25


@dataclass(frozen=True)
class Hearing:
    """What of a specification's candidates says how finely they must hear.

    clips_pa: peak pressure of 1 kHz from which on one of them clips, Pa. attack_s: the shortest time constant
    with which one of their detectors charges, s; 0 where they are computed at the full rate.
    """

    clips_pa: float
    attack_s: float

    def with_boards(self, chains: Iterable[Chain]) -> Hearing:
        """Return how finely these candidates and some more boards must hear, all alike."""
        found = [self, *(hearing_of(chain, {}) for chain in chains)]
        return Hearing(min(one.clips_pa for one in found), min(one.attack_s for one in found))

    def of(self, sound: Sound) -> Sound:
        """Return a sound at the internal rate that these candidates need."""
        least_hz = needed_rate_min_hz(sound, self.clips_pa, self.attack_s)
        return replace(sound, internal_rate_min_hz=least_hz)


# How a board hears that is not looked at any closer.
FULLY = Hearing(math.inf, 0.0)


def hearing(specification: Specification, *more: Chain) -> Hearing:
    """Return how finely a specification's candidates must hear, and some more boards, all alike."""
    return hearing_of(specification.chain, specification.ranges).with_boards(more)


def sounds_of(specification: Specification, *more: Chain) -> list[Sound]:
    """Return the sounds of a specification's clips as its candidates, and some more boards, hear them."""
    as_heard = hearing(specification, *more)
    return [as_heard.of(sound) for sound in specification.sounds]


def hearing_of(chain: Chain, ranges: Mapping[str, Choices]) -> Hearing:
    """Return how finely the candidates of a chain and its ranges must hear, from the ranges' extremes."""
    combinations = math.prod(len(_extremes(key, choices)) for key, choices in ranges.items())
    if combinations > _MOST_EXTREMES:
        return FULLY
    found = []
    for board in _extreme_boards(chain, ranges):
        if not (steps_far(board.rectifier_as_built) and _weighs_alike(board)):
            return FULLY
        found.append((_clips_pa(board), charging_s(board.detector_as_built)))
    clips_pa, attack_s = zip(*found, strict=True)
    return Hearing(min(clips_pa), min(attack_s))


def _extremes(key: str, choices: Choices) -> list[float | str]:
    values = values_of(key, choices)
    if any(isinstance(value, str) for value in values):
        return list(values)
    return sorted({min(values), max(values)})


def _extreme_boards(chain: Chain, ranges: Mapping[str, Choices]) -> Iterator[Chain]:
    for row in itertools.product(*(_extremes(key, choices) for key, choices in ranges.items())):
        yield with_values(chain, tuple(ranges), row)


def _weighs_alike(chain: Chain) -> bool:
    bass, middle, treble = (_passed(chain, one) for one in (_BASS_HZ, CALIBRATION_HZ, _TREBLE_HZ))
    return bass >= _LEAST_BASS * middle and treble <= _MOST_TREBLE * middle


def _passed(chain: Chain, frequency_hz: float) -> float:
    """V at the rectifier for a pascal."""
    heard = chain.microphone_as_loaded.response(frequency_hz)
    return float(abs(heard * response_before_rectifier(chain, frequency_hz)))


def _clips_pa(chain: Chain) -> float:
    """Peak of a 1 kHz tone from which on microphone or preamp clip, Pa."""
    swing_v = min(chain.preamp.swing_up_v, chain.preamp.swing_down_v)
    low_pa, high_pa = chain.microphone.loudest_pa
    return min(swing_v / _passed(chain, CALIBRATION_HZ), -low_pa, high_pa)
