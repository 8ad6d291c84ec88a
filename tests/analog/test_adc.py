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


def transitions_lsb(adc: Adc) -> np.ndarray:
    """Code transition levels T[1], T[2] … in ideal LSB, found on the converter as a black box."""
    from scipy.optimize import brentq

    ideal_v = adc.reference_v / 2**adc.bits

    def beyond(lsb: float, code: int) -> float:
        return 1.0 if convert(np.array([lsb * ideal_v]), adc)[0] >= code else -1.0

    return np.array(
        [
            brentq(beyond, -60, 2**adc.bits + 60, args=(code,), xtol=1e-7)
            for code in range(1, adc.top_code + 1)
        ]
    )


def by_its_ends(levels: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Gain, offset in LSB and integral nonlinearity in LSB of IEEE Std 1241-2010, terminal-based.

    G·T[k] + V_os + ε[k] = Q·(k − 1) + T_1, with ε = 0 at the first and the last transition (from memory).
    """
    k = np.arange(1, levels.size + 1)
    gain = (k[-1] - k[0]) / (levels[-1] - levels[0])
    offset = k[0] - gain * levels[0]
    return gain, offset, k - gain * levels - offset


@pytest.mark.parametrize("gain_percent", [-3.0, 0.0, 1.5])
@pytest.mark.parametrize("offset", [-4.0, 0.0, 2.5])
def test_gain_and_offset_are_those_of_the_standard(gain_percent, offset):
    adc = Adc(bits=8, noise_lsb=0, gain_error_percent=gain_percent, offset_lsb=offset)
    found_gain, found_offset, bent = by_its_ends(inside(transitions_lsb(adc)))
    first = int(np.argmax(transitions_lsb(adc) > 0)) if offset > 0 else 0
    assert found_gain == pytest.approx(1 + gain_percent / 100, abs=2e-5)
    # The standard's offset moves the line; it is counted from the first code that there is.
    assert found_offset + first == pytest.approx(offset, abs=0.01)
    assert np.abs(bent).max() < 1e-3


def inside(levels: np.ndarray) -> np.ndarray:
    """Transitions that a voltage from 0 to the reference reaches; an offset leaves codes out at one end."""
    return levels[levels > 0]


@pytest.mark.parametrize("bow", [-3.0, 6.0])
def test_the_bow_is_the_nonlinearity_of_the_standard(bow):
    bent = by_its_ends(transitions_lsb(Adc(bits=10, noise_lsb=0, bow_lsb=bow)))[2]
    middle = bent[np.argmax(np.abs(bent))]
    assert middle == pytest.approx(bow, rel=0.02)
    assert np.argmax(np.abs(bent)) == pytest.approx(512, abs=20)
    assert np.abs(bent[[0, -1]]).max() < 1e-9
    # Smooth and of one sign: a parabola through both ends.
    k = np.arange(bent.size) / bent.size
    assert np.abs(bent - 4 * bow * k * (1 - k)).max() < 0.03 * abs(bow)


def test_dead_zones_read_the_ends_and_the_line_spans_what_is_between():
    adc = Adc(bits=12, reference_v=3.3, noise_lsb=0, dead_low_v=0.1, dead_high_v=0.15)
    volts = np.array([0.0, 0.05, 0.1, 0.1 + 2900 / 4096 * 3.05, 3.1499, 3.15, 3.3])
    assert list(convert(volts, adc)) == [0, 0, 0, 2900, 4095, 4095, 4095]
    assert adc.lsb_v == pytest.approx(3.05 / 4096)
    assert adc.line_lsb(0.1) == 0
    assert adc.envelope_lsb(0.05, 0.0) == 0
    assert adc.envelope_lsb(0.05, 0.1) == pytest.approx(0.05 / adc.lsb_v)
    assert adc.envelope_lsb(0.2, 0.05) == pytest.approx(0.15 / adc.lsb_v)


@pytest.mark.parametrize("bits", [6, 10, 12, 16])
def test_left_out_it_is_the_ideal_converter_bit_for_bit(bits):
    volts = np.random.default_rng(bits).uniform(-0.1, 3.5, 20_000)
    ideal = np.clip(np.floor(volts / (3.3 / 2**bits)), 0, 2**bits - 1)
    assert np.array_equal(convert(volts, Adc(bits=bits, noise_lsb=0)), ideal)
    assert Adc(bits=bits).is_straight
    for change in ({"bow_lsb": 1.0}, {"dead_low_v": 0.01}, {"dead_high_v": 0.01}):
        assert not Adc(bits=bits, **change).is_straight


@given(
    st.floats(-10, 10),
    st.floats(-1, 1),
    st.floats(0, 0.8),
    st.floats(0, 0.8),
    st.floats(0, 3.3),
    st.floats(0, 0.1),
)
def test_a_higher_voltage_never_reads_lower_and_a_rise_is_what_is_read(gain, bow, low, high, volts, rise):
    adc = Adc(12, noise_lsb=0, gain_error_percent=gain, bow_lsb=40 * bow, dead_low_v=low, dead_high_v=high)
    before, after = convert(np.array([volts, volts + rise]), adc)
    assert after >= before
    if after < adc.top_code and before > 0:
        assert after - before == pytest.approx(adc.envelope_lsb(rise, volts), abs=1.0)


@pytest.mark.parametrize(
    ("name", "value"),
    [("gain_error_percent", 11), ("bow_lsb", -51), ("dead_low_v", 1.7), ("dead_high_v", -0.1)],
)
def test_what_no_converter_has_is_refused(name, value):
    with pytest.raises(ParameterError, match=name):
        Adc(**{name: value})


def test_dead_zones_together_leave_half_of_the_range():
    with pytest.raises(ParameterError, match="dead_high_v is 1"):
        Adc(dead_low_v=0.9, dead_high_v=1.0)


@pytest.mark.parametrize("bow", [-30.0, 30.0])
def test_the_line_is_what_the_converter_reads(bow):
    # In the middle of the range the whole bow, at both ends nothing: within the step that rounding leaves.
    adc = Adc(12, noise_lsb=0, bow_lsb=bow, buffer_low_v=0.0)
    volts = np.linspace(0.05, 3.2, 200)
    line_lsb = np.array([adc.line_lsb(float(one)) for one in volts])
    short_lsb = line_lsb - convert(volts, adc)
    assert short_lsb.min() >= -1e-9
    assert short_lsb.max() < 1
    assert adc.line_lsb(1.65) == pytest.approx(2048 + bow)
    assert adc.envelope_lsb(1.65, 0.0) == pytest.approx(2048 + bow)
