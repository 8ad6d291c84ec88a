"""A detector on a tone among many others: the same digits as alone, and as one plain step after another."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.analog.detector import AverageDetector, Detector, PeakDetector, hold_step
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.tones import steady_state as steady

FULL = Rectifier("full")
# More than fit into one vector, quick and slow together, some twice.
MANY: list[Detector] = [
    *(PeakDetector(a, c, r) for a in (470.0, 4.7e3, 18e3) for c in (220e-9, 1e-6) for r in (33e3, 1e6)),
    *(AverageDetector(r, 470e-9) for r in (100.0, 1e3, 1e4, 1e5)),
] * 3


@pytest.fixture(autouse=True)
def nothing_known(monkeypatch):
    monkeypatch.setattr(steady, "_KNOWN", steady._Known(20))


@pytest.mark.parametrize("frequency_hz", [60.0, 1000.0])
def test_alone_and_among_many(frequency_hz):
    together = steady.tone_responses(MANY, FULL, frequency_hz)
    for detector, answer in zip(MANY, together, strict=True):
        assert steady._respond([detector], FULL, frequency_hz) == [answer]


def test_more_than_one_vector_full():
    many = [PeakDetector(1e3 + 10 * i, 1e-6, 100e3) for i in range(70)]
    together = steady.tone_responses(many, FULL, 1000.0)
    assert [steady.tone_response(one, FULL, 1000.0) for one in many] == together
    attacks = [answer.attack_s for answer in together]
    assert attacks == sorted(attacks) and len(set(attacks)) == 70


@pytest.mark.parametrize("detector", MANY[:4])
def test_first_crossing_is_that_of_plain_steps(detector):
    rate_hz = steady.STEPS_PER_CYCLE * 200.0
    answer = steady.tone_response(detector, FULL, 200.0)
    charge, gain, bleed = hold_step(detector, rate_hz)
    v, n = 0.0, 0
    while v < 0.9 * answer.settled_ratio:
        before = v
        v = max(bleed * v, charge * v + gain * abs(np.sin(2 * np.pi * n / steady.STEPS_PER_CYCLE)))
        n += 1
    share = (0.9 * answer.settled_ratio - before) / (v - before)
    assert answer.attack_s * rate_hz == pytest.approx(n - 1 + share - 0.5, rel=1e-9)


def test_a_detector_that_is_empty_at_the_end_of_a_half_wave_has_no_release():
    # τ = 1 µs behind half a wave of 8 ms of nothing: e^−8000 is 0 in double precision.
    answer = steady.tone_response(AverageDetector(100.0, 10e-9), Rectifier("half"), 60.0)
    assert answer.end_ratio == 0.0 and answer.release_s == 0.0
