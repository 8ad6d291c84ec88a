"""A detector on a steady tone: where it settles, how it ripples, how long it takes there and back."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from envlab.analog.detector import AverageDetector, Detector, HoldStep, hold_step
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.errors import check_range
from envlab.units import FloatArray, db

# 4096 steps a cycle: held samples then err by less than 1e-6 of the peak (error (2π/4096)²/24).
STEPS_PER_CYCLE = 4096
# Attacks longer than this are not waited for; from there on a cycle moves the voltage so little that the
# cycles may be integrated over instead of counted.
_COUNTED_CYCLES = 20_000


@dataclass(frozen=True)
class ToneResponse:
    """A detector on a sine of peak 1 V out of silence; volts are per volt of peak.

    Parameters
    ----------
    settled_ratio : float
        Mean over a cycle once settled, over the peak of the drive.
    low_ratio, high_ratio : float
        Least and largest value in that cycle.
    end_ratio : float
        At the end of whole cycles.
    attack_s : float
        From the start (phase 0) to the first crossing of 90 % of settled.
    release_s : float
        From the end of the tone to 10 % of settled.
    """

    settled_ratio: float
    low_ratio: float
    high_ratio: float
    end_ratio: float
    attack_s: float
    release_s: float

    @property
    def ripple_db(self) -> float:
        """20 lg(largest/least) within a settled cycle."""
        return db(self.high_ratio / self.low_ratio) if self.low_ratio > 0 else math.inf


def _cycles_to(threshold_v: float, cycle_v: FloatArray, step: HoldStep) -> float:
    """Return how many cycles a slow detector needs from 0 to the threshold.

    One cycle moves it from v to v + g(v), so dk = dv/g(v) while g is small against v; the logarithm is the
    first correction of the sum to the integral (Euler and Maclaurin).
    """
    from envlab.analog.kernels import stage_kernels as kernels

    place, weight = np.polynomial.legendre.leggauss(64)
    moved = np.array(
        [kernels.cycle_gain(cycle_v, *step, 0.5 * threshold_v * (x + 1)) for x in (-1, *place, 1)]
    )
    integral = 0.5 * threshold_v * float(np.sum(weight / moved[1:-1]))
    return integral + 0.5 * math.log(moved[-1] / moved[0])


class _Known:
    """The latest answers, by detector, rectifier and frequency: a sweep asks the same at every gain."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._answers: dict[tuple[Detector, Rectifier, float], ToneResponse] = {}

    def of(self, key: tuple[Detector, Rectifier, float]) -> ToneResponse | None:
        return self._answers.get(key)

    def keep(self, key: tuple[Detector, Rectifier, float], answer: ToneResponse) -> None:
        if len(self._answers) >= self._most:
            self._answers = {}
        self._answers[key] = answer


_KNOWN = _Known(65_536)


def tone_response(detector: Detector, rectifier: Rectifier, frequency_hz: float) -> ToneResponse:
    """Return how the detector answers a sine; frequency_hz from 1 Hz to 20 kHz.

    The settled cycle is found as the cycle that ends where it began, not by waiting for it.

    Parameters
    ----------
    detector : Detector
        What holds the envelope.
    rectifier : Rectifier
        What feeds it.
    frequency_hz : float
        1 Hz to 20 kHz.

    Returns
    -------
    ToneResponse
    """
    (answer,) = tone_responses([detector], rectifier, frequency_hz)
    return answer


def tone_responses(
    detectors: Sequence[Detector], rectifier: Rectifier, frequency_hz: float
) -> list[ToneResponse]:
    """Return tone_response of each detector, the same digits, many times faster."""
    from envlab.analog.kernels.vector_kernels import LANES

    check_range("frequency_hz", frequency_hz, 1, 20e3, unit="Hz")
    if rectifier.scales_with_level:
        # Nothing else of it shows: boards of many temperatures and offsets are one question.
        rectifier = Rectifier(rectifier.kind)
    answers: dict[Detector, ToneResponse] = {}
    for detector in detectors:
        known = _KNOWN.of((detector, rectifier, frequency_hz))
        if known is not None:
            answers[detector] = known
    unknown = [detector for detector in dict.fromkeys(detectors) if detector not in answers]
    # Those that take about as long to charge are waited for together.
    unknown.sort(key=lambda detector: hold_step(detector, STEPS_PER_CYCLE * frequency_hz))
    for first in range(0, len(unknown), LANES):
        some = unknown[first : first + LANES]
        for detector, answer in zip(some, _respond(some, rectifier, frequency_hz), strict=True):
            answers[detector] = answer
            _KNOWN.keep((detector, rectifier, frequency_hz), answer)
    return [answers[detector] for detector in detectors]


def _respond(detectors: list[Detector], rectifier: Rectifier, frequency_hz: float) -> list[ToneResponse]:
    """Answers of at most LANES detectors."""
    from envlab.analog.kernels import tone_kernels
    from envlab.analog.kernels.vector_kernels import LANES

    rate_hz = STEPS_PER_CYCLE * frequency_hz
    phase = 2 * np.pi * np.arange(STEPS_PER_CYCLE) / STEPS_PER_CYCLE
    cycle_v = rectify(np.sin(phase), rectifier)
    steps = [hold_step(detector, rate_hz) for detector in detectors]
    charge, gain, bleed = np.array(steps + steps[-1:] * (LANES - len(steps))).T
    lanes = np.concatenate((charge, bleed, gain))
    start = tone_kernels.settled_starts(cycle_v, lanes, 1e-12)
    mean, low, high, end = tone_kernels.one_cycle(cycle_v, lanes, start)
    crossings = tone_kernels.first_crossings(cycle_v, lanes, 0.9 * mean, _COUNTED_CYCLES * STEPS_PER_CYCLE)
    answers = []
    for i, (detector, step) in enumerate(zip(detectors, steps, strict=True)):
        settled, end_v, crossing = float(gain[i] * mean[i]), float(gain[i] * end[i]), float(crossings[i])
        if crossing < 0:
            crossing = STEPS_PER_CYCLE * _cycles_to(0.9 * settled, cycle_v, step)
        # Step n ends, and its voltage is stamped, half a step after sample n.
        attack_s = max(0.0, crossing - 0.5) / rate_hz
        fall_s = detector.smoothing_s if isinstance(detector, AverageDetector) else detector.release_s
        release_s = fall_s * math.log(max(1.0, end_v / (0.1 * settled)))
        least, most = float(gain[i] * low[i]), float(gain[i] * high[i])
        answers.append(ToneResponse(settled, least, most, end_v, attack_s, release_s))
    return answers
