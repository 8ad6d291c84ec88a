"""Band filter against the circuits' node equations, solved as a matrix for each frequency."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.analog.band_filter import (
    FirstBandPass,
    FirstHighPass,
    FirstLowPass,
    NoBandFilter,
    SecondBandPass,
    SecondHighPass,
    SecondLowPass,
    filter_band,
)
from envlab.errors import ParameterError

RATE_HZ = 384_000.0


def two_in_a_row(y_in: complex, y_out: complex, y_feedback: complex, y_shunt: complex) -> complex:
    """Follower with two elements in the way, one back from between them, one to the reference.

    Kirchhoff at the middle node m and at the follower's input p, with the output equal to p, source 1 V.
    """
    matrix = np.array([[y_in + y_out + y_feedback, -y_out - y_feedback], [-y_out, y_out + y_shunt]])
    return complex(np.linalg.solve(matrix, np.array([y_in, 0]))[1])


def low_pass(f: float, in_ohm: float, out_ohm: float, feedback: float, shunt: float) -> complex:
    s = 2j * math.pi * f
    return two_in_a_row(1 / in_ohm, 1 / out_ohm, s * feedback, s * shunt)


def high_pass(f: float, in_farad: float, out_farad: float, feedback: float, shunt: float) -> complex:
    s = 2j * math.pi * f
    return two_in_a_row(s * in_farad, s * out_farad, 1 / feedback, 1 / shunt)


LOW = (10e3, 22e3, 22e-9, 10e-9)
HIGH = (100e-9, 47e-9, 10e3, 33e3)
CASES = {
    "first low": (FirstLowPass(10e3, 47e-9), lambda f: 1 / (1 + 2j * math.pi * f * 10e3 * 47e-9)),
    "first high": (FirstHighPass(10e3, 100e-9), lambda f: 1 / (1 + 1 / (2j * math.pi * f * 1e-3))),
    "first band": (
        FirstBandPass(10e3, 100e-9, 10e3, 10e-9),
        lambda f: 1 / (1 + 1 / (2j * math.pi * f * 1e-3)) / (1 + 2j * math.pi * f * 1e-4),
    ),
    "second low": (SecondLowPass(*LOW), lambda f: low_pass(f, *LOW)),
    "second high": (SecondHighPass(*HIGH), lambda f: high_pass(f, *HIGH)),
    "second band": (SecondBandPass(*HIGH, *LOW), lambda f: high_pass(f, *HIGH) * low_pass(f, *LOW)),
    "wire": (NoBandFilter(), lambda _: 1.0),
}


@pytest.mark.parametrize("frequency_hz", [20.0, 63.0, 250.0, 1000.0, 4000.0, 10_000.0, 15_000.0])
@pytest.mark.parametrize("name", CASES)
def test_response_from_the_parts(name, frequency_hz, tone_gain):
    band_filter, analytic = CASES[name]
    assert band_filter.response(frequency_hz) == pytest.approx(analytic(frequency_hz), rel=1e-9)
    measured = tone_gain(
        lambda x: filter_band(x, band_filter, sample_rate_hz=RATE_HZ)[0], frequency_hz, RATE_HZ
    )
    assert 20 * math.log10(abs(measured / analytic(frequency_hz))) == pytest.approx(0, abs=0.05)


def test_equal_parts_of_a_second_order_low_pass():
    # R = R, C = C: two equal real poles but for the feedback, Q = 1/2·√(C_feedback/C_shunt) = 0.5: −6.02 dB
    equal = SecondLowPass(10e3, 10e3, 10e-9, 10e-9)
    corner_hz = 1 / (2 * math.pi * 10e3 * 10e-9)
    assert abs(equal.response(corner_hz)) == pytest.approx(0.5)
    # twice the feedback capacitor is the Butterworth response, −3.01 dB
    butterworth = SecondLowPass(10e3, 10e3, 20e-9, 10e-9)
    assert abs(butterworth.response(corner_hz / math.sqrt(2))) == pytest.approx(math.sqrt(0.5))


def test_output_stays_within_the_swing():
    loud = 5 * np.sin(2 * np.pi * 100 * np.arange(8000) / RATE_HZ)
    out, _ = filter_band(loud, FirstLowPass(1e3, 1e-9), sample_rate_hz=RATE_HZ, low_v=-1.0, high_v=1.5)
    assert (out.min(), out.max()) == (-1.0, 1.5)


@pytest.mark.parametrize("cut", [1, 64, 999])
@pytest.mark.parametrize("name", CASES)
def test_split_equals_whole(name, cut):
    band_filter = CASES[name][0]
    signal = np.random.default_rng(1).normal(0, 1, 1000)
    whole, end = filter_band(signal, band_filter, sample_rate_hz=RATE_HZ)
    first, middle = filter_band(signal[:cut], band_filter, sample_rate_hz=RATE_HZ)
    second, last = filter_band(signal[cut:], band_filter, sample_rate_hz=RATE_HZ, state=middle)
    assert np.array_equal(whole, np.concatenate((first, second)))
    assert end == last


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (lambda: FirstLowPass(0.0, 1e-9), "low_ohm is 0.0; it must be from 1 to 1e.08 ohm"),
        (lambda: FirstHighPass(1e3, 2.0), "high_farad is 2.0; it must be from 1e-12 to 1 F"),
        (lambda: SecondLowPass(1e3, 1e3, math.nan, 1e-9), "low_feedback_farad is nan; it must be a finite"),
    ],
)
def test_filters_that_cannot_be(make, text):
    with pytest.raises(ParameterError, match=f"^{text}"):
        make()
