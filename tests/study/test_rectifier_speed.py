"""What the static part of a rectifier leaves out, against the nodal solution's numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from envlab.analog.detector import PeakDetector
from envlab.analog.microphone import Microphone
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.study.rectifier_speed import speed_losses
from envlab.units import db

DETECTOR = PeakDetector(4.7e3, 1e-6, 220e3)


def losses(rectifier):
    chain = Chain(rectifier=rectifier, detector=DETECTOR)
    # So that 66 dB are 10 mV at the rectifier, as in the nodal solution.
    lower_db = db(0.010 / chain.peak_at_rectifier_v(66.0))
    chain = replace(chain, microphone=Microphone(chain.microphone.sensitivity_dbv_pa + lower_db))
    return {(one.level_db_spl, one.frequency_hz): one.loss_db for one in speed_losses(chain)}


def test_by_level_and_frequency():
    """At 10 mV, amplifiers of 3 MHz lose 5.3 dB of 10 kHz on the bias, 1.1 dB lifted, leakage of some 0.1 dB
    counted, which the static part has too (independent nodal solution, measured)."""
    bias, lifted = losses(BiasSuperdiodes()), losses(DifferenceSuperdiodes(0.15))
    assert bias[66.0, 10_000.0] == pytest.approx(-5.2, abs=0.6)
    assert lifted[66.0, 10_000.0] == pytest.approx(-1.1, abs=0.2)
    assert bias[66.0, 1000.0] == pytest.approx(-0.6, abs=0.15)
    for some in (bias, lifted):
        assert some[102.0, 60.0] == pytest.approx(0.0, abs=0.02)
        assert some[66.0, 60.0] > some[66.0, 1000.0] > some[66.0, 10_000.0]
        assert some[66.0, 10_000.0] < some[78.0, 10_000.0] < some[90.0, 10_000.0]
    quick = losses(BiasSuperdiodes(gain_bandwidth_hz=1e9, slew_v_per_s=1e9))
    assert min(quick.values()) > -0.1


def test_levels_below_a_count_are_left_out():
    # On ground the first 16 mV are the pedestal's; nothing of 66 dB is left to lose.
    assert 66.0 not in {level for level, _ in losses(DifferenceSuperdiodes())}


def test_an_ideal_rectifier_has_nothing_to_lose():
    with pytest.raises(ParameterError, match=r"^topology is 'ideal'; it must be one with amplifiers"):
        speed_losses(Chain())
