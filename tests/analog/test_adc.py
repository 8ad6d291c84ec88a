"""ADC: its instants, the voltage at them, its counts, and the noise of quantising."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envlab.analog.adc import Adc, convert, instants_s, read_at, stamps_of
from envlab.errors import ParameterError

TEN_BIT = Adc(bits=10, reference_v=3.3, noise_lsb=0)


def test_one_count_by_hand():
    # 3.3 V / 1024 = 3.22266 mV.
    assert TEN_BIT.lsb_v == pytest.approx(3.22266e-3, abs=5e-9)
    assert TEN_BIT.top_code == 1023


def test_counts_are_whole_steps_that_begin_at_one():
    lsb = TEN_BIT.lsb_v
    volts = np.array([0.0, 0.999 * lsb, lsb, 1.5 * lsb, 511.999 * lsb, 512 * lsb, 1023 * lsb])
    assert list(convert(volts, TEN_BIT)) == [0, 0, 1, 1, 511, 512, 1023]


def test_clips_at_both_ends():
    assert list(convert(np.array([-1.0, -1e-9, 3.2999, 3.3, 50.0]), TEN_BIT)) == [0, 0, 1023, 1023, 1023]


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
def test_full_scale_sine_has_the_textbook_signal_to_noise(bits):
    # 6.02·N + 1.76 dB for a full-scale sine (quantising error even over one step, W. R. Bennett 1948, in
    # every converter textbook). Samples a golden ratio of a turn apart; the constant half step is no noise.
    adc = Adc(bits=bits, reference_v=1.0, noise_lsb=0)
    t = np.arange(200_000) * (math.sqrt(5) - 1) / 2
    sine = 0.5 + 0.5 * np.sin(2 * np.pi * t)
    error = convert(sine, adc) * adc.lsb_v - sine
    snr_db = 10 * math.log10(np.var(sine) / np.var(error))
    assert snr_db == pytest.approx(6.02 * bits + 1.76, abs=0.15)
    assert error.mean() / adc.lsb_v == pytest.approx(-0.5, abs=0.02)


def test_noise_has_its_size_and_is_the_generators():
    adc = Adc(bits=12, reference_v=4.096, noise_lsb=5.0)
    volts = np.full(100_000, 2.0)
    counts = convert(volts, adc, rng=np.random.default_rng(1))
    # 5 counts rms and the 1/12 of quantising: √(25 + 1/12) = 5.008; standard error 0.2 %.
    assert counts.std() == pytest.approx(5.008, rel=0.01)
    assert counts.mean() == pytest.approx(2000 - 0.5, abs=0.1)
    assert np.array_equal(counts, convert(volts, adc, rng=np.random.default_rng(1)))
    assert set(convert(volts, adc)) == {2000}


def test_reads_before_the_end_and_at_least_once():
    assert list(instants_s(0.003, 1000.0)) == [0.0, 0.001, 0.002]
    assert instants_s(0.0030001, 1000.0).size == 4
    assert instants_s(1e-9, 1000.0).size == 1
    # 0.3·1000 is 300 in decimal and a hair less or more in binary; 44 100 samples are one second.
    assert instants_s(0.1 + 0.2, 1000.0).size == 300
    assert instants_s(44_100 / 44_100.0, 1000.0).size == 1000


def test_stamps_of_samples_by_hand():
    # Rate 10 Hz: outputs are stamped 0.05, 0.15, 0.25 s; the start voltage −0.05 s.
    upper, fraction = stamps_of(np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 9.0]), 3, 10.0)
    assert list(upper) == [0, 0, 1, 1, 2, 2, 2]
    assert fraction == pytest.approx([0.5, 1.0, 0.5, 1.0, 0.5, 1.0, 1.0])


def test_reading_goes_straight_between_stamps():
    # held[n] = n + ½ at time (n + ½)/rate: a ramp of 1 V a period reads t·rate.
    held = np.arange(100) + 0.5
    times = np.linspace(0.0, 0.99, 57)
    assert read_at(held, times, sample_rate_hz=100.0, start_v=-0.5) == pytest.approx(times * 100, abs=1e-12)


def test_reading_of_a_bend_by_hand():
    # Stamps −½, ½, 1½, 2½ periods: 0, 0, 1, 5. At 1 period: halfway 0 to 1; at 2: halfway 1 to 5.
    times = np.array([0.0, 1.0, 2.0, 2.5, 3.0])
    assert list(read_at(np.array([0.0, 1.0, 5.0]), times, sample_rate_hz=1.0)) == [0.0, 0.5, 3.0, 5.0, 5.0]


@given(st.integers(1, 200), st.floats(0, 3), st.floats(8e3, 4e5))
def test_stamps_stay_inside_and_between(samples, share, rate_hz):
    times = np.array([share * samples / rate_hz])
    upper, fraction = stamps_of(times, samples, rate_hz)
    assert 0 <= upper[0] < samples
    assert 0 <= fraction[0] <= 1
    if share < 1:
        back = upper[0] - 0.5 + fraction[0]  # in periods
        assert back == pytest.approx(min(times[0] * rate_hz, samples - 0.5), abs=1e-6)


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"bits": 5}, "bits is 5; it must be a whole number from 6 to 16"),
        ({"bits": 10.0}, "bits is 10.0; it must be a whole number from 6 to 16"),
        ({"bits": True}, "bits is True; it must be a whole number from 6 to 16"),
        ({"reference_v": 0}, "reference_v is 0; it must be from 0.1 to 30 V"),
        ({"rate_hz": 1}, "rate_hz is 1; it must be from 10 to 1e[+]06 Hz"),
        ({"noise_lsb": -1}, "noise_lsb is -1; it must be from 0 to 100 LSB"),
    ],
)
def test_converters_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}$"):
        Adc(**fields)
