"""An emitter follower that charges the hold capacitor, against Kirchhoff's current law at its emitter."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from envlab.analog.detector import PeakDetector
from envlab.analog.envelope import hold_signal
from envlab.analog.rectifiers.transistor_detector import TransistorDetector
from envlab.analog.tones.nonlinear_steady_state import quiescent_state
from envlab.chain import Chain
from envlab.errors import ParameterError

RATE_HZ = 384_000.0
DETECTOR = PeakDetector(1e3, 0.47e-6, 100e3)
THERMAL_V = 8.617333262e-5 * 298.15
SATURATION_A, EMITTER_OHM, BASE_LEAKAGE_OHM = 1e-14, 0.5, 1e10


def emitter_a(base_v: float, held_v: float, base_ohm: float, gain: float) -> float:
    """Current of the emitter by root finding: base resistor, junction, attack resistor in a row."""

    def lacks(i: float) -> float:
        junction_v = THERMAL_V * math.log1p(i / SATURATION_A)
        return base_v - i / (1 + gain) * base_ohm - junction_v - i * (EMITTER_OHM + 1e3) - held_v

    return brentq(lacks, -0.999999 * SATURATION_A, 1.0)


def test_silence_stands_a_drop_below_the_bias():
    detector = TransistorDetector(base_ohm=10e3, current_gain=100.0)
    held_v = quiescent_state(DETECTOR, detector, bias_v=1.65).held_v
    expected = brentq(lambda v: emitter_a(1.65, v, 10e3, 100.0) - v / 100e3, 0.5, 1.6)
    assert held_v == pytest.approx(expected, rel=1e-4)
    assert 0.4 < 1.65 - held_v < 0.6


def test_a_tone_in_continuous_time():
    detector = TransistorDetector(base_ohm=1e3, current_gain=100.0)
    start = quiescent_state(DETECTOR, detector, bias_v=1.65)
    rest_v = start.held_v

    def slope(t, v):
        base_v = 1.65 + 0.3 * math.sin(2 * math.pi * 1000 * t)
        return [(emitter_a(base_v, v[0], 1e3, 100.0) - v[0] / 100e3) / 0.47e-6]

    solved = solve_ivp(slope, (0, 0.006), [rest_v], method="LSODA", rtol=1e-7, atol=1e-9, max_step=2e-5,
                       dense_output=True).sol  # fmt: skip
    n = np.arange(round(0.006 * RATE_HZ) - 1)
    signal = 0.3 * np.sin(2 * np.pi * 1000 * n / RATE_HZ)
    held_v, _ = hold_signal(signal, detector, DETECTOR, sample_rate_hz=RATE_HZ, bias_v=1.65, state=start)
    assert np.abs(held_v - solved((n + 0.5) / RATE_HZ)[0]).max() < 1e-3 * 0.3


def test_no_signal_is_too_small():
    """The release resistor keeps it conducting: a small signal is answered by its square, not by none."""
    chain = Chain(rectifier=TransistorDetector(), detector=DETECTOR)
    quiet, quieter = (chain.tone_response(peak_v=peak_v).settled_ratio for peak_v in (4e-3, 2e-3))
    assert quiet == pytest.approx(2 * quieter, rel=0.1)
    assert quieter > 0.005


@pytest.mark.parametrize(
    ("values", "line"),
    [
        ({"kind": "full"}, "kind is 'full'; it must be left as it is: a transistor_detector is a half wave"),
        ({"diode": "schottky"}, "diode is 'schottky'; it must be left as it is"),
        ({"current_gain": 1.0}, "current_gain is 1.0; it must be from 10 to 2000"),
        ({"base_ohm": -1.0}, "base_ohm is -1.0; it must be from 0 to"),
    ],
)
def test_what_it_cannot_be(values, line):
    with pytest.raises(ParameterError) as told:
        TransistorDetector(**values)
    assert str(told.value).startswith(line)
