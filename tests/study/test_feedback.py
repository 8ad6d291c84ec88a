"""Lights that disturb the microphone: coupling by hand, loop gain, and a loop that latches or dies away."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.errors import EnvlabWarning, ParameterError
from envlab.light.curve import BrightnessMap
from envlab.light.power.coupling import Coupling
from envlab.sound.recording import Recording
from envlab.study.feedback import gain_of_fundamental, loop_gain, run_closed

CHAIN = Chain(brightness=BrightnessMap(66.0, 102.0), detector=PeakDetector(4.7e3, 1e-6, 100e3))
BURST_S = 0.2


def knock() -> Recording:
    """A quiet clip with one loud knock in its beginning."""
    rate_hz = 48_000.0
    t = np.arange(round(2.5 * rate_hz)) / rate_hz
    return Recording(2.0 * np.sin(2 * np.pi * 500 * t) * (t < BURST_S), rate_hz)


def test_coupling_by_hand():
    # 50 mΩ, 40 dB: 0.5 mV/A; RC of 100 Ω and 10 µF has its corner at 159.2 Hz; at ten times that, a tenth.
    coupling = Coupling(ground_ohm=1e-3)
    assert coupling.rail_v_per_a == pytest.approx(0.5e-3)
    assert coupling.decoupling_corner_hz == pytest.approx(159.155, rel=1e-5)
    assert abs(coupling.response(1591.55) - 1e-3) == pytest.approx(0.5e-3 / math.sqrt(101), rel=1e-5)
    assert Coupling(decoupling_ohm=0.0).response(1e4) == pytest.approx(0.5e-3)


def test_gain_of_the_loop_by_hand():
    # At each duty the fundamental of the square is 2/π·sin(πd) of 10.8 A, settled.
    coupling = Coupling(rail_ohm=0.0, ground_ohm=1e-3)
    table = CHAIN.brightness_table()
    returned = []
    for duty in np.linspace(1e-3, 1, 400) * table.duty.max():
        volts = 10.8 * 2 / math.pi * math.sin(math.pi * duty) * 1e-3 * abs(CHAIN.preamp.response(400.0))
        counts = min(volts, 1.6) * CHAIN.tone_response().settled_ratio / CHAIN.adc.lsb_v
        returned.append(float(table.look_up(np.array([counts]))[0]) / table.full_code / duty)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EnvlabWarning)
        fundamental = gain_of_fundamental(CHAIN, coupling)
        assert fundamental == pytest.approx(max(returned), rel=2e-3)
        # The wave has edges that a detector of peaks follows, and more comes back than of its fundamental.
        assert loop_gain(CHAIN, coupling) > fundamental


def test_well_decoupled_lights_say_nothing():
    assert loop_gain(CHAIN, Coupling()) < 0.1


def test_a_strong_loop_is_warned_of():
    with pytest.warns(EnvlabWarning, match="The lights hear themselves: a duty comes back as"):
        assert loop_gain(CHAIN, Coupling(rail_rejection_db=20.0, decoupling_ohm=0.0)) > 1


@pytest.mark.parametrize(
    ("coupling", "stays_lit"),
    [(Coupling(), False), (Coupling(rail_rejection_db=12.0, decoupling_ohm=0.0), True)],
)
@pytest.mark.parametrize("rectifier", [Rectifier(), Rectifier("full", diode="schottky")])
def test_after_a_knock(coupling, stays_lit, rectifier):
    chain = Chain(brightness=CHAIN.brightness, detector=CHAIN.detector, rectifier=rectifier)
    run = run_closed(chain, coupling, knock())
    last = slice(-50, None)
    assert run.open_duty[:20].max() > 0
    assert run.open_duty[last].max() == 0
    assert (run.duty[last].min() > 0) == stays_lit


def test_on_a_quiet_clip_nothing_lights():
    quiet = Recording(np.zeros(48_000), 48_000.0)
    run = run_closed(CHAIN, Coupling(), quiet, np.random.default_rng(1))
    assert run.lit_share() == (0.0, 0.0)


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"rail_ohm": -1.0}, "rail_ohm is -1.0; it must be from 0 to 10 ohm"),
        ({"pwm_hz": 1.0}, "pwm_hz is 1.0; it must be from 10 to 100000 Hz"),
    ],
)
def test_couplings_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}$"):
        Coupling(**fields)
