"""Microphone against data-sheet arithmetic, its transfer function and the A-weighted level of its noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.analog.microphone import Microphone, MicrophoneState, hear, is_overloaded, self_noise_pa
from envlab.analog.preamps.preamp import Preamp, amplify
from envlab.errors import ParameterError
from envlab.sound.interpolate import interpolate, interpolation_factor
from envlab.sound.level import leq_db_spl

RATE_HZ = 384_000.0


def decibel(gain: complex) -> float:
    return 20 * math.log10(abs(gain))


@pytest.mark.parametrize(
    ("dbv_pa", "mv_pa"),
    # 10^(dB/20) V/Pa: 12.59, 7.94, 6.31, 5.01 mV/Pa by hand; −40 dBV/Pa is 10 mV/Pa (worked example in
    # "How to estimate SPL from a microphone output", Seltech, 2025); −46 is 5.0119 (electronics.stackexchange
    # question 227208).
    [(-38, 12.59), (-40, 10.0), (-42, 7.94), (-44, 6.31), (-46, 5.0119)],
)
def test_sensitivity_from_the_data_sheet(dbv_pa, mv_pa):
    assert 1e3 * Microphone(sensitivity_dbv_pa=dbv_pa).sensitivity_v_pa == pytest.approx(mv_pa, abs=0.005)


def test_a_tenth_of_a_volt_is_114_db_spl_at_40_dbv(tone_gain):
    # Worked example of the same Seltech note: 0.1 V from −40 dBV/Pa is 10 Pa, 20 lg(10/20e-6) = 113.98 dB.
    microphone = Microphone(sensitivity_dbv_pa=-40, low_corner_hz=1, high_corner_hz=100e3)
    gain = abs(tone_gain(lambda x: hear(x, microphone, sample_rate_hz=RATE_HZ)[0], 1000.0, RATE_HZ))
    assert 20 * math.log10(0.1 / gain / 20e-6) == pytest.approx(113.98, abs=0.01)


def test_94_db_spl_through_minus_42_dbv_and_a_hundredfold_gain():
    # By hand: 1.00237 Pa · 7.943 mV/Pa · 100 = 0.7962 V rms; the worked example takes 94 dB as 1 Pa and gives
    # 0.794 V rms, 1.123 V peak. Both within 0.3 %.
    microphone = Microphone(-42.0, low_corner_hz=1, high_corner_hz=100e3)
    preamp = Preamp(
        99e3, 1e3, ground_farad=None, gain_bandwidth_hz=1e9, input_offset_v=0, coupling_farad=1e-3
    )
    tone_pa = math.sqrt(2) * 1.00237 * np.sin(2 * np.pi * 1000 * np.arange(int(RATE_HZ)) / RATE_HZ)
    microphone_v, _ = hear(tone_pa, microphone, sample_rate_hz=RATE_HZ)
    preamp_v = amplify(microphone_v, preamp, sample_rate_hz=RATE_HZ).preamp_v[-38_400:]
    assert preamp.gain == 100
    assert preamp_v.std() == pytest.approx(0.794, rel=0.003)
    assert preamp_v.max() == pytest.approx(1.123, rel=0.003)


@pytest.mark.parametrize("frequency_hz", [20.0, 31.5, 40.0, 100.0, 1000.0, 5000.0, 10_000.0, 15_000.0])
def test_tones_measure_the_stated_transfer_function(tone_gain, frequency_hz):
    # 0.05 dB and 0.5 degrees: what the bilinear transform leaves at the ends of the band.
    microphone = Microphone(-42.0, low_corner_hz=40, high_corner_hz=15e3)
    measured = tone_gain(lambda x: hear(x, microphone, sample_rate_hz=RATE_HZ)[0], frequency_hz, RATE_HZ)
    stated = microphone.response(frequency_hz)
    x_low, x_high = frequency_hz / 40, frequency_hz / 15e3
    by_hand = 10 ** (-42 / 20) * (1j * x_low / (1 + 1j * x_low)) / (1 + 1j * x_high)
    assert stated == pytest.approx(by_hand, rel=1e-12)
    assert decibel(measured) == pytest.approx(decibel(stated), abs=0.05)
    assert abs(np.angle(measured / stated, deg=True)) < 0.5


def test_corners_are_3_db_down():
    microphone = Microphone(-42.0, low_corner_hz=2.0, high_corner_hz=90e3)
    # 20 lg(1/√2) = −3.0103 dB; the other corner, 45 000 times away, adds less than 1e-8.
    assert decibel(microphone.response(2.0)) + 42 == pytest.approx(-3.0103, abs=1e-4)
    assert decibel(microphone.response(90e3)) + 42 == pytest.approx(-3.0103, abs=1e-4)


def test_overload_peak_is_that_of_the_sine_at_the_overload_point():
    # √2·20 µPa·10^(120/20) = 28.284 Pa.
    microphone = Microphone(overload_db_spl=120)
    assert microphone.overload_pa == pytest.approx(28.284, abs=5e-4)
    pressure_pa = np.array([-30.0, -28.28, 0.0, 28.28, 28.29, 1e6])
    assert list(is_overloaded(pressure_pa, microphone)) == [True, False, False, False, True, True]
    held, _ = hear(pressure_pa, microphone, sample_rate_hz=RATE_HZ)
    limited, _ = hear(np.clip(pressure_pa, -28.28427, 28.28427), microphone, sample_rate_hz=RATE_HZ)
    assert held == pytest.approx(limited, rel=1e-6)


def test_a_sine_at_the_overload_point_passes_whole():
    microphone = Microphone(overload_db_spl=100)
    sine_pa = microphone.overload_pa * np.sin(2 * np.pi * np.arange(96) / 96)
    assert not is_overloaded(sine_pa, microphone).any()


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 96_000.0])
def test_self_noise_at_the_output_has_the_data_sheet_level(rate_hz):
    # Equivalent input noise: 94 dB(A) minus the signal-to-noise ratio, measured at the microphone's output
    # and referred to the input through its sensitivity (as data sheets state it). 62 dB → 32 dB(A). Six
    # seconds of noise in a band of about 6 kHz: the level's standard error is 4.34·√(1/36 000) = 0.023 dB;
    # tolerance five of it.
    microphone = Microphone(signal_to_noise_db=62)
    assert microphone.self_noise_db_spl == 32
    noise_pa = self_noise_pa(microphone, int(6 * rate_hz), rate_hz, np.random.default_rng(5))
    factor = interpolation_factor(rate_hz)
    fine_v, _ = hear(interpolate(noise_pa, rate_hz), microphone, sample_rate_hz=factor * rate_hz)
    referred_pa = fine_v[::factor] / microphone.sensitivity_v_pa
    assert leq_db_spl(referred_pa, rate_hz, "A") == pytest.approx(32, abs=0.12)


def test_self_noise_is_the_generators_and_white():
    microphone = Microphone()
    first = self_noise_pa(microphone, 4096, 48e3, np.random.default_rng(1))
    again = self_noise_pa(microphone, 4096, 48e3, np.random.default_rng(1))
    other = self_noise_pa(microphone, 4096, 48e3, np.random.default_rng(2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    # White: neighbours are uncorrelated, within four standard errors 1/√4096.
    assert abs(np.corrcoef(first[1:], first[:-1])[0, 1]) < 4 / 64


@examples(30)
@given(st.lists(st.integers(0, 2000), max_size=4), st.integers(0, 2**32 - 1))
def test_any_split_equals_the_whole_bit_for_bit(cuts, seed):
    pressure_pa = 40 * np.random.default_rng(seed).standard_normal(2000)  # overloads too
    microphone = Microphone()
    whole, end = hear(pressure_pa, microphone, sample_rate_hz=RATE_HZ)
    parts, state = [], None
    for part in np.split(pressure_pa, sorted(cuts)):
        volts, state = hear(part, microphone, sample_rate_hz=RATE_HZ, state=state)
        parts.append(volts)
    assert np.array_equal(np.concatenate(parts), whole)
    assert state == end


def test_state_at_rest_is_the_start():
    pressure_pa = np.ones(64)
    fresh, _ = hear(pressure_pa, Microphone(), sample_rate_hz=RATE_HZ)
    rest, _ = hear(pressure_pa, Microphone(), sample_rate_hz=RATE_HZ, state=MicrophoneState())
    assert np.array_equal(fresh, rest)


def test_input_is_left_alone_and_whole_numbers_are_pressures_too():
    pressure_pa = np.array([0, 1, 2, 1, 0, -100])
    kept = pressure_pa.copy()
    from_whole, _ = hear(pressure_pa, Microphone(), sample_rate_hz=RATE_HZ)
    from_float, _ = hear(pressure_pa.astype(float), Microphone(), sample_rate_hz=RATE_HZ)
    assert np.array_equal(pressure_pa, kept)
    assert np.array_equal(from_whole, from_float)


@pytest.mark.parametrize(
    "wrong", [np.zeros((2, 8)), np.float64(1.0), np.array(["a"])], ids=["two rows", "one number", "text"]
)
def test_refuses_what_is_no_row_of_samples(wrong):
    with pytest.raises(ParameterError, match=r"^pressure_pa is .*; it must be "):
        hear(wrong, Microphone(), sample_rate_hz=RATE_HZ)


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"sensitivity_dbv_pa": 20}, "sensitivity_dbv_pa is 20; it must be from -80 to 0 dB re 1 V/Pa"),
        ({"signal_to_noise_db": -3}, r"signal_to_noise_db is -3; it must be from 30 to 90 dB\(A\)"),
        ({"overload_db_spl": 300}, "overload_db_spl is 300; it must be from 90 to 160 dB SPL"),
        ({"low_corner_hz": 0}, "low_corner_hz is 0; it must be from 1 to 100000 Hz"),
        ({"high_corner_hz": math.nan}, "high_corner_hz is nan; it must be a finite number"),
        (
            {"low_corner_hz": 500, "high_corner_hz": 400},
            "low_corner_hz is 500; it must be below high_corner_hz",
        ),
    ],
)
def test_microphones_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}$"):
        Microphone(**fields)
