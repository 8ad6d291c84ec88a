"""First-order sections against the transfer functions that they stand for."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from scipy import signal

from envlab.analog import sections

FREQUENCIES_HZ = [20.0, 63.0, 250.0, 1000.0, 4000.0, 7500.0, 10_000.0, 15_000.0]
RATES_HZ = [352_800.0, 384_000.0]


def at(section: np.ndarray, frequency_hz: float, rate_hz: float) -> complex:
    b0, b1, a1 = section
    back = cmath.exp(-2j * math.pi * frequency_hz / rate_hz)
    return complex((b0 + b1 * back) / (1 + a1 * back))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("corner_hz", [1.0, 40.0, 338.6, 15_000.0, 434_000.0, 1e9])
@pytest.mark.parametrize("frequency_hz", FREQUENCIES_HZ)
def test_low_and_high_pass_equal_their_transfer_functions(corner_hz, frequency_hz, rate_hz):
    # Closed form 1/(1 + jf/fc) and (jf/fc)/(1 + jf/fc). Tolerance: the frequency axis errs by at most
    # (ωT)²/12: at 15 kHz 0.60 % for the high pass; for the low pass, matched at 7.5 kHz, there are
    # (2π·15/352.8)²/12·(1 − 1/4) = 0.45 % left.
    x = 1j * frequency_hz / corner_hz
    low = at(sections.low_pass(corner_hz, rate_hz), frequency_hz, rate_hz)
    high = at(sections.high_pass(corner_hz, rate_hz), frequency_hz, rate_hz)
    assert low == pytest.approx(1 / (1 + x), rel=0.0045)
    assert high == pytest.approx(x / (1 + x), rel=0.006)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_frequency_axis_errs_as_stated_from_20_hz_to_10_khz(rate_hz):
    # A low pass with its corner far below reads fc/f, a high pass with its corner far above f/fc: the axis.
    low, high = sections.low_pass(1e-3, rate_hz), sections.high_pass(1e12, rate_hz)
    for frequency_hz in np.geomspace(20, 10_000, 40):
        axis_hz = 1e-3 / abs(at(low, frequency_hz, rate_hz))
        assert axis_hz / frequency_hz == pytest.approx(1, abs=0.0015)
        axis_hz = abs(at(high, frequency_hz, rate_hz)) * 1e12
        assert axis_hz / frequency_hz == pytest.approx(
            1, rel=1.01 * (2 * math.pi * frequency_hz / rate_hz) ** 2 / 12
        )
    assert 1e-3 / abs(at(low, 7500, rate_hz)) == pytest.approx(7500, rel=1e-7)


def test_ground_leg_is_one_at_rest_and_gain_far_above():
    section = sections.gain_with_ground_leg(48.0, 15.9, 384e3)
    assert at(section, 0.0, 384e3) == pytest.approx(1.0, abs=1e-9)
    assert abs(at(section, 7500.0, 384e3)) == pytest.approx(48.0, rel=1e-5)
    # At the corner |gain·j + 1|/|j + 1| = √((48² + 1)/2) = 33.948.
    assert abs(at(section, 15.9, 384e3)) == pytest.approx(33.948, rel=2e-3)
    assert list(sections.gain_with_ground_leg(48.0, 0.0, 384e3)) == [48.0, 0.0, 0.0]


def test_equals_a_general_library_with_the_same_matching():
    # scipy.signal.bilinear with fs' so that 2·fs' is the matched constant.
    matched = 2 * math.pi * 7500 / math.tan(math.pi * 7500 / 384e3)
    b, a = signal.bilinear([2 * math.pi * 15e3], [1, 2 * math.pi * 15e3], fs=matched / 2)
    assert sections.low_pass(15e3, 384e3) == pytest.approx([b[0], b[1], a[1]], rel=1e-9)
    b, a = signal.bilinear([1, 0], [1, 2 * math.pi * 40], fs=384e3)
    assert sections.high_pass(40.0, 384e3) == pytest.approx([b[0], b[1], a[1]], rel=1e-9)


@pytest.mark.parametrize("corner_hz", [0.001, 1.0, 1e5, 1e12])
def test_is_stable_for_every_corner(corner_hz):
    for section in (sections.low_pass(corner_hz, 352.8e3), sections.high_pass(corner_hz, 352.8e3)):
        assert abs(section[2]) < 1
