"""The loop's gain of the whole switched wave: where it is 1 the loop comes to rest, and its wave by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.light.curve import BrightnessMap
from envlab.light.pixels import Pixels
from envlab.light.power.coupling import Coupling, coupling_at
from envlab.sound.recording import Recording
from envlab.study.feedback import gain_of_fundamental, gain_of_loop, run_closed
from envlab.study.feedback_wave import coupled_period_v, returned_duties, settled_v

CHAIN = Chain(brightness=BrightnessMap(66.0, 102.0), detector=PeakDetector(4.7e3, 1e-6, 100e3))
RATE_HZ = 48_000.0


def stays_at(coupling: Coupling) -> float:
    """Where the light comes to rest after a knock, its own current coupled back frame by frame."""
    time_s = np.arange(round(2.5 * RATE_HZ)) / RATE_HZ
    knock = Recording(2.0 * np.sin(2 * np.pi * 500 * time_s) * (time_s < 0.2), RATE_HZ)
    return float(run_closed(CHAIN, coupling, knock).duty[-100:].mean())


@pytest.mark.parametrize("ground_ohm", [1e-3, 2e-3])
def test_the_loop_rests_where_a_duty_comes_back_as_itself(ground_ohm):
    coupling = Coupling(ground_ohm=ground_ohm, pwm_hz=200.0)
    shares = tuple(np.geomspace(0.1, 1.0, 60).tolist())
    some = returned_duties(CHAIN, coupling, shares)
    crossings = [one.duty for one, next_ in itertools.pairwise(some) if one.gain >= 1 > next_.gain]
    assert len(crossings) == 1
    # A step of the duties is 4 %; the closed loop runs frame by frame, its edges between its samples.
    assert stays_at(coupling) == pytest.approx(crossings[0], rel=0.05)
    # Where the fundamental alone would let it die away.
    assert gain_of_fundamental(CHAIN, coupling) < 1


def test_one_period_by_hand():
    # 1 mΩ, 10.8 A, a fifth of the time: 8.64 mV above its mean while on, 2.16 mV below it while off.
    period_v, rate_hz = coupled_period_v(CHAIN, Coupling(rail_ohm=0.0, ground_ohm=1e-3), 0.2)
    assert rate_hz / period_v.size == pytest.approx(400.0)
    assert abs(period_v.mean()) < 1e-12
    assert np.quantile(period_v, [0.02, 0.5, 0.98]) == pytest.approx([-2.16e-3, -2.16e-3, 8.64e-3], rel=0.02)
    assert period_v.max() < 8.64e-3 * 1.02  # a cut series would overshoot by 9 % of the step


def test_the_rail_goes_through_its_filter():
    # Far above the corner of 159 Hz an RC makes of a square its integral: a triangle of height·d(1−d)/(f·RC).
    coupling = Coupling(pwm_hz=8000.0)
    period_v, _ = coupled_period_v(CHAIN, coupling, 0.3)
    height_v = 10.8 * coupling.rail_v_per_a
    expected_v = height_v * 0.3 * 0.7 / (8000.0 * 100.0 * 10e-6)
    assert np.ptp(period_v) == pytest.approx(expected_v, rel=0.02)


def test_nothing_shared_brings_nothing_back():
    alone = Coupling(rail_ohm=0.0, ground_ohm=0.0)
    assert settled_v(CHAIN, alone, 0.2) == pytest.approx(0.0, abs=1e-12)
    assert gain_of_loop(CHAIN, alone) == 0.0


def test_pixels_say_at_which_frequency_they_switch():
    assert coupling_at(Coupling(), Pixels()).pwm_hz == 400.0
    assert coupling_at(Coupling(), Pixels(pwm_hz=4000.0)).pwm_hz == 4000.0
    assert coupling_at(Coupling(pwm_hz=500.0), Pixels(pwm_hz=1e6)).pwm_hz == 100e3
