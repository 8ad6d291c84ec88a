"""Precision rectifier: closed forms of its mean, and what it must refuse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.errors import ParameterError

CYCLE = np.sin(2 * np.pi * (np.arange(3600) + 0.5) / 3600)
VOLTS = hnp.arrays(np.float64, st.integers(0, 50), elements=st.floats(-100, 100))


def test_mean_of_a_rectified_sine():
    # Closed forms: full wave 2/π, half wave 1/π of the peak; midpoints of 3600 steps err by 3e-7.
    assert rectify(CYCLE, Rectifier("full")).mean() == pytest.approx(2 / math.pi, rel=1e-6)
    assert rectify(CYCLE, Rectifier("half")).mean() == pytest.approx(1 / math.pi, rel=1e-6)


def test_form_factor_of_a_full_wave():
    # rms over mean = π/(2√2) = 1.11072: an average reads 20 lg 1.11072 = 0.912 dB under the rms value.
    drive = rectify(CYCLE, Rectifier("full"))
    factor = math.sqrt(np.mean(drive**2)) / drive.mean()
    assert factor == pytest.approx(1.11072, abs=5e-6)
    assert 20 * math.log10(factor) == pytest.approx(0.912, abs=5e-4)


def test_small_voltages_pass_whole():
    tiny = np.array([-1e-9, 0.0, 1e-9])
    assert list(rectify(tiny, Rectifier("full"))) == [1e-9, 0.0, 1e-9]
    assert list(rectify(tiny, Rectifier("half"))) == [0.0, 0.0, 1e-9]


@given(VOLTS)
def test_the_two_half_waves_make_the_full_wave(signal):
    full = rectify(signal, Rectifier("full"))
    half = rectify(signal, Rectifier("half"))
    other_half = rectify(-signal, Rectifier("half"))
    assert np.array_equal(full, half + other_half)
    assert (half >= 0).all()


def test_resting_voltage_is_not_in_the_drive():
    assert np.array_equal(rectify(CYCLE, Rectifier("full", 1.65)), rectify(CYCLE, Rectifier("full", 0.0)))


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        (("both",), "kind is 'both'; it must be one of half, full"),
        (("full", -0.1), "reference_node_v is -0.1; it must be from 0 to 30 V"),
        (("full", math.nan), "reference_node_v is nan; it must be a finite number"),
    ],
)
def test_rectifiers_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}$"):
        Rectifier(*fields)
