"""A detector on a steady tone: where it settles, how it ripples, how long it takes there and back."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from envlab.analog.detector import AverageDetector, Detector, HoldStep, detect, hold_step
from envlab.analog.rectifier import Rectifier, rectify
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

    settled_ratio: mean over a cycle once settled, over the peak of the drive.
    low_ratio, high_ratio: least and largest value in that cycle. end_ratio: at the end of whole cycles.
    attack_s: from the start (phase 0) to the first crossing of 90 % of settled.
    release_s: from the end of the tone to 10 % of settled.
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
    from envlab.analog import kernels

    place, weight = np.polynomial.legendre.leggauss(64)
    moved = np.array(
        [kernels.cycle_gain(cycle_v, *step, 0.5 * threshold_v * (x + 1)) for x in (-1, *place, 1)]
    )
    integral = 0.5 * threshold_v * float(np.sum(weight / moved[1:-1]))
    return integral + 0.5 * math.log(moved[-1] / moved[0])


@functools.lru_cache(maxsize=8192)  # a sweep asks the same of a detector at every gain
def tone_response(detector: Detector, rectifier: Rectifier, frequency_hz: float) -> ToneResponse:
    """Return how the detector answers a sine; frequency_hz from 1 Hz to 20 kHz.

    The settled cycle is found as the cycle that ends where it began, not by waiting for it.
    """
    from envlab.analog import kernels

    check_range("frequency_hz", frequency_hz, 1, 20e3, unit="Hz")
    rate_hz = STEPS_PER_CYCLE * frequency_hz
    phase = 2 * np.pi * np.arange(STEPS_PER_CYCLE) / STEPS_PER_CYCLE
    cycle_v = rectify(np.sin(phase), rectifier)
    step = hold_step(detector, rate_hz)
    start = float(kernels.settled_start(cycle_v, *step, 1e-12))
    held_v, end = detect(cycle_v, detector, sample_rate_hz=rate_hz, start_v=start)
    settled = float(held_v.mean())
    crossing = kernels.first_crossing(cycle_v, *step, 0.9 * settled, _COUNTED_CYCLES * STEPS_PER_CYCLE)
    if crossing < 0:
        crossing = STEPS_PER_CYCLE * _cycles_to(0.9 * settled, cycle_v, step)
    # Step n ends, and its voltage is stamped, half a step after sample n.
    attack_s = max(0.0, crossing - 0.5) / rate_hz
    fall_s = detector.smoothing_s if isinstance(detector, AverageDetector) else detector.release_s
    release_s = max(0.0, fall_s * math.log(end / (0.1 * settled)))
    return ToneResponse(
        settled, float(held_v.min()), float(held_v.max()), end, float(attack_s), float(release_s)
    )
