"""Ideal rectifier with source resistance, settled: found from the angles at which its diode turns on and off.

While it conducts, C·dv/dt = (u − v)/Rs − v/RL has a closed solution; while it does not, v falls by
exp(−t/(C·RL)). Current is nothing at both ends of conduction, so v = u there; two angles close the period.
(The same equations as in [Schade1943], cited, not read; derived here.)
"""

from __future__ import annotations

import math

import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.tones.nonlinear_steady_state import tone_response_at
from envlab.analog.tones.steady_state import tone_response


def steady_mean(rs_over_rl: float, omega_c_rl: float, full_wave: bool) -> float:
    """Mean of v over peak; angles in radians of the sine."""
    period = math.pi if full_wave else 2 * math.pi
    decay = (1 + 1 / rs_over_rl) / omega_c_rl  # per radian while conducting
    drive = 1 / (rs_over_rl * omega_c_rl)

    def forced(x: float) -> float:
        return drive * (decay * math.sin(x) - math.cos(x)) / (decay**2 + 1)

    def conducting(on: float, x: float) -> float:
        return forced(x) + (math.sin(on) - forced(on)) * math.exp(-decay * (x - on))

    def off_angle(on: float) -> float:
        def over(x: float) -> float:
            return conducting(on, x) - math.sin(x)

        # v lies under u from on until it meets it again, before u is zero
        return brentq(over, on + 1e-7 + 1e-3 * (math.pi / 2 - on), math.pi, xtol=1e-14)

    def mismatch(on: float) -> float:
        off = off_angle(on)
        return math.sin(off) * math.exp(-(on + period - off) / omega_c_rl) - math.sin(on)

    on = brentq(mismatch, 1e-9, math.pi / 2 - 1e-6, xtol=1e-13)
    off = off_angle(on)
    charge = quad(lambda x: conducting(on, x), on, off, epsabs=1e-12)[0]
    bleed = math.sin(off) * omega_c_rl * -math.expm1(-(on + period - off) / omega_c_rl)
    return (charge + bleed) / period


PAIRS = [
    (rs, wcr)
    for rs, wcr in (
        (0.002, 1.0),
        (0.002, 30.0),
        (0.005, 300.0),
        (0.02, 3.0),
        (0.02, 100.0),
        (0.05, 0.5),
        (0.05, 20.0),
        (0.1, 1000.0),
        (0.2, 5.0),
        (0.3, 50.0),
        (0.7, 2.0),
        (0.7, 200.0),
        (1.5, 10.0),
    )
]


@pytest.mark.parametrize("full_wave", [False, True])
@pytest.mark.parametrize(("rs_over_rl", "omega_c_rl"), PAIRS)
def test_mean_of_the_settled_cycle(rs_over_rl, omega_c_rl, full_wave):
    load, frequency_hz = 100e3, 200.0
    detector = PeakDetector(rs_over_rl * load, omega_c_rl / (2 * math.pi * frequency_hz * load), load)
    rectifier = Rectifier("full" if full_wave else "half")
    expected = steady_mean(rs_over_rl, omega_c_rl, full_wave)
    assert tone_response(detector, rectifier, frequency_hz).settled_ratio == pytest.approx(expected, rel=2e-4)


@pytest.mark.parametrize(("rs_over_rl", "omega_c_rl"), [(0.02, 100.0), (0.3, 50.0), (0.05, 20.0)])
def test_a_diode_without_a_drop_is_the_ideal_one(rs_over_rl, omega_c_rl):
    # 300 V over a germanium knee of some 0.2 V: what the diode takes is under 1e-3 of it
    load, frequency_hz = 100e3, 200.0
    detector = PeakDetector(rs_over_rl * load, omega_c_rl / (2 * math.pi * frequency_hz * load), load)
    rectifier = Rectifier("half", diode="germanium", leakage_ohm=1e15, saturation_a=1e-8, series_ohm=0.0)
    settled = tone_response_at(detector, rectifier, frequency_hz, 300.0).settled_ratio
    assert settled == pytest.approx(steady_mean(rs_over_rl, omega_c_rl, False), rel=2e-3)
