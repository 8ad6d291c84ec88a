"""How any detector answers a steady tone: the one place that chooses how that is found, and keeps it.

Where the envelope scales with the level one simulation serves every level, and many detectors run side by
side (steady_state.py); elsewhere the tone is simulated at its very level (nonlinear_steady_state.py). What is
kept is kept by all arguments of the question, so no answer can belong to another one.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import TypeGuard

from envlab.analog.detector import Detector
from envlab.analog.envelope import BuiltRectifier
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.tones.nonlinear_steady_state import settled_ratio_at, tone_response_at
from envlab.analog.tones.steady_state import ToneResponse, tone_response, tone_responses

_KEPT = 65_536


def answer_to_tone(
    detector: Detector, rectifier: BuiltRectifier, frequency_hz: float, peak_v: float, *, bias_v: float = 0.0
) -> ToneResponse:
    """Return the answer to a sine out of silence, volts above quiescent over its peak.

    Parameters
    ----------
    detector
        As built.
    rectifier
        What stands before it, as built.
    frequency_hz
        1 Hz to 20 kHz.
    peak_v
        At the rectifier's input, V, above 0; of no account where the envelope scales with the level.
    bias_v
        What that input rests at, V.

    Examples
    --------
    >>> from envlab.analog.detector import PeakDetector
    >>> from envlab.analog.rectifiers.ideal import Rectifier
    >>> from envlab.analog.tones.answer import answer_to_tone
    >>> detector = PeakDetector(4.7e3, 1e-6, 470e3)
    >>> plain = answer_to_tone(detector, Rectifier(), 1000.0, 0.1)
    >>> diode = answer_to_tone(detector, Rectifier(diode="silicon"), 1000.0, 0.1)
    >>> plain.settled_ratio > diode.settled_ratio
    True
    """
    if _is_ideal(rectifier):
        return tone_response(detector, rectifier, frequency_hz)
    return _at_level(detector, rectifier, frequency_hz, peak_v, bias_v)


def steady_ratio(
    detector: Detector, rectifier: BuiltRectifier, frequency_hz: float, peak_v: float, *, bias_v: float = 0.0
) -> float:
    """Return settled_ratio of answer_to_tone alone, without the wait for attack and release."""
    if _is_ideal(rectifier):
        return tone_response(detector, rectifier, frequency_hz).settled_ratio
    return _ratio_at_level(detector, rectifier, frequency_hz, peak_v, bias_v)


def _is_ideal(rectifier: BuiltRectifier) -> TypeGuard[Rectifier]:
    return rectifier.scales_with_level


@functools.lru_cache(maxsize=_KEPT)
def _at_level(
    detector: Detector, rectifier: BuiltRectifier, frequency_hz: float, peak_v: float, bias_v: float
) -> ToneResponse:
    return tone_response_at(detector, rectifier, frequency_hz, peak_v, bias_v=bias_v)


@functools.lru_cache(maxsize=_KEPT)
def _ratio_at_level(
    detector: Detector, rectifier: BuiltRectifier, frequency_hz: float, peak_v: float, bias_v: float
) -> float:
    return settled_ratio_at(detector, rectifier, frequency_hz, peak_v, bias_v=bias_v)


def learn_tones(boards: Sequence[tuple[Detector, BuiltRectifier]], frequencies_hz: Sequence[float]) -> None:
    """Find out together how many boards answer some tones; answer_to_tone then knows it.

    Those that do not scale with the level are left to themselves.
    """
    detectors: dict[str, list[Detector]] = {}
    for detector, rectifier in boards:
        if _is_ideal(rectifier):
            detectors.setdefault(rectifier.kind, []).append(detector)
    for kind, some in detectors.items():
        for frequency_hz in frequencies_hz:
            tone_responses(some, Rectifier(kind), frequency_hz)
