"""Preamp against its transfer function, textbook corners, and the rails."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.analog.preamp import Preamp, PreampState, amplify, input_noise_v
from envlab.errors import ParameterError

RATE_HZ = 384_000.0


def output(preamp: Preamp):
    return lambda x: amplify(x, preamp, sample_rate_hz=RATE_HZ).preamp_v


def decibel(gain: complex) -> float:
    return 20 * math.log10(abs(gain))


def test_gain_is_one_plus_the_ratio_of_the_gain_resistors():
    assert Preamp(99e3, 1e3).gain == 100
    assert Preamp(22e3, 1e3).gain == 23


def test_corners_by_hand():
    # 1/(2π·100 kΩ·1 µF) = 1.5915 Hz; 1/(2π·1 kΩ·10 µF) = 15.915 Hz; 10 MHz/100 = 100 kHz.
    preamp = Preamp(99e3, 1e3, 10e-6, 1e-6, 100e3, 10e6)
    assert preamp.coupling_corner_hz == pytest.approx(1.5915, abs=5e-5)
    assert preamp.ground_corner_hz == pytest.approx(15.915, abs=5e-4)
    assert preamp.bandwidth_hz == 100e3
    assert Preamp(ground_farad=None).ground_corner_hz == 0


@pytest.mark.parametrize("frequency_hz", [20.0, 40.0, 100.0, 1000.0, 5000.0, 10_000.0, 15_000.0])
@pytest.mark.parametrize(
    "preamp",
    [
        Preamp(99e3, 1e3, input_offset_v=0),
        Preamp(22e3, 1e3, 1e-6, 47e-9, 100e3, 1e6, input_offset_v=0),
        Preamp(220e3, 1e3, None, 100e-9, 47e3, 3e6, input_offset_v=0),
    ],
    ids=["wide", "narrow", "no ground capacitor"],
)
def test_tones_measure_the_stated_transfer_function(tone_gain, preamp, frequency_hz):
    # By hand from the parts: C·R in, gain with ground leg (1 + Rf/(Rg + 1/jωC)), GBW/gain.
    s = 2j * math.pi * frequency_hz
    coupling = s * preamp.input_ohm * preamp.coupling_farad
    leg_ohm = preamp.ground_ohm + (1 / (s * preamp.ground_farad) if preamp.ground_farad else 0)
    by_hand = coupling / (1 + coupling) * (1 + preamp.feedback_ohm / leg_ohm)
    by_hand /= 1 + 1j * frequency_hz * preamp.gain / preamp.gain_bandwidth_hz
    assert preamp.response(frequency_hz) == pytest.approx(by_hand, rel=1e-9)
    measured = tone_gain(output(preamp), frequency_hz, RATE_HZ)
    assert decibel(measured) == pytest.approx(decibel(by_hand), abs=0.05)
    assert abs(np.angle(measured / by_hand, deg=True)) < 0.5


def test_output_clips_at_the_swing_exactly_and_counts():
    preamp = Preamp(99e3, 1e3, supply_v=3.3, bias_v=1.2, swing_margin_v=0.05, input_offset_v=0)
    assert preamp.swing_up_v == pytest.approx(3.3 - 0.05 - 1.2)
    assert preamp.swing_down_v == pytest.approx(1.2 - 0.05)
    t = np.arange(38_400) / RATE_HZ
    loud = amplify(0.1 * np.sin(2 * np.pi * 1000 * t), preamp, sample_rate_hz=RATE_HZ)
    assert loud.preamp_v.max() == preamp.swing_up_v
    assert loud.preamp_v.min() == -preamp.swing_down_v
    at_limit = (loud.preamp_v == preamp.swing_up_v) | (loud.preamp_v == -preamp.swing_down_v)
    assert loud.clipped == at_limit.sum() > 0
    # A settled sine of 10 V peak spends 1 − (asin(2.05/10) + asin(1.15/10))/π = 89.7 % of its time there.
    share = at_limit[-3840:].mean()
    assert share == pytest.approx(1 - (math.asin(0.205) + math.asin(0.115)) / math.pi, abs=0.005)


def test_just_under_the_swing_nothing_clips():
    preamp = Preamp(99e3, 1e3, input_offset_v=0)
    sine = np.sin(2 * np.pi * 1000 * np.arange(384_000) / RATE_HZ)
    peak_v = preamp.swing_up_v / abs(preamp.response(1000.0))
    for share, clips in [(0.999, False), (1.001, True)]:
        # The first second is thrown away: a tone's start shifts the capacitors, and that settles with 0.1 s.
        state = amplify(share * peak_v * sine, preamp, sample_rate_hz=RATE_HZ).end
        settled = amplify(share * peak_v * sine[:38_400], preamp, sample_rate_hz=RATE_HZ, state=state)
        assert (settled.clipped > 0) is clips


def test_clipping_does_not_disturb_what_the_capacitors_remember():
    preamp = Preamp(99e3, 1e3, input_offset_v=0)
    burst = np.concatenate((np.full(2000, 0.1), np.zeros(4000)))
    small = amplify(burst / 100, preamp, sample_rate_hz=RATE_HZ).preamp_v
    large = amplify(burst, preamp, sample_rate_hz=RATE_HZ)
    assert large.clipped > 0
    expected = np.clip(100 * small, -preamp.swing_down_v, preamp.swing_up_v)
    assert large.preamp_v == pytest.approx(expected, abs=1e-12)


def test_offset_is_amplified_only_without_a_ground_capacitor():
    silence = np.zeros(1000)
    coupled = Preamp(99e3, 1e3, 10e-6, input_offset_v=0.5e-3)
    straight = Preamp(99e3, 1e3, None, input_offset_v=0.5e-3)
    assert output(coupled)(silence) == pytest.approx(0.5e-3, rel=1e-12)
    assert output(straight)(silence) == pytest.approx(50e-3, rel=1e-12)


def test_a_constant_input_is_blocked_with_the_coupling_time_constant():
    # After RC = 0.1 s a step has fallen to 1/e (closed form).
    preamp = Preamp(1.0, 1e6, None, 1e-6, 100e3, 1e9, input_offset_v=0)
    out = output(preamp)(np.full(int(0.3 * RATE_HZ), 0.5))
    assert out[int(0.1 * RATE_HZ)] / out[0] == pytest.approx(math.exp(-1), rel=3e-4)
    assert out[int(0.2 * RATE_HZ)] / out[0] == pytest.approx(math.exp(-2), rel=3e-4)


def test_input_noise_has_its_density():
    # density·√(rate/2): 10 nV/√Hz over 24 kHz is 1.549 µV rms; 2e5 samples: standard error 0.16 %.
    noise_v = input_noise_v(Preamp(noise_v_per_rthz=10e-9), 200_000, 48e3, np.random.default_rng(3))
    assert noise_v.std() == pytest.approx(1.549e-6, rel=0.008)


@examples(30)
@given(st.lists(st.integers(0, 2000), max_size=4), st.integers(0, 2**32 - 1))
def test_any_split_equals_the_whole_bit_for_bit(cuts, seed):
    signal_v = 0.02 * np.random.default_rng(seed).standard_normal(2000)  # clips too
    preamp = Preamp(99e3, 1e3)
    whole = amplify(signal_v, preamp, sample_rate_hz=RATE_HZ)
    parts, state, clipped = [], None, 0
    for part in np.split(signal_v, sorted(cuts)):
        some = amplify(part, preamp, sample_rate_hz=RATE_HZ, state=state)
        state, clipped = some.end, clipped + some.clipped
        parts.append(some.preamp_v)
    assert np.array_equal(np.concatenate(parts), whole.preamp_v)
    assert (state, clipped) == (whole.end, whole.clipped)


def test_state_is_not_changed_in_place():
    state = PreampState((0.1, 0.2, 0.3))
    amplify(np.ones(10), Preamp(), sample_rate_hz=RATE_HZ, state=state)
    assert state == PreampState((0.1, 0.2, 0.3))


def test_whole_numbers_are_volts_too():
    out = output(Preamp(1e3, 1e3))
    assert np.array_equal(out(np.array([0, 1, 0, -1])), out(np.array([0.0, 1.0, 0.0, -1.0])))


def test_refuses_what_is_no_row_of_samples():
    with pytest.raises(
        ParameterError, match=r"^microphone_v is 'an array of shape \(2, 8\)'; it must be of shape"
    ):
        amplify(np.zeros((2, 8)), Preamp(), sample_rate_hz=RATE_HZ)


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"feedback_ohm": -47e3}, "feedback_ohm is -47000.0; it must be from 1 to 1e+08 ohm"),
        ({"ground_ohm": 0}, "ground_ohm is 0; it must be from 1 to 1e+08 ohm"),
        ({"coupling_farad": 5.0}, "coupling_farad is 5.0; it must be from 1e-12 to 1 F"),
        ({"ground_farad": 0.0}, "ground_farad is 0.0; it must be from 1e-12 to 1 F"),
        ({"gain_bandwidth_hz": 0}, "gain_bandwidth_hz is 0; it must be above 0 Hz"),
        ({"supply_v": math.inf}, "supply_v is inf; it must be a finite number"),
        ({"bias_v": 4.0}, "bias_v is 4.0; it must be from 0 to 3.3 V"),
        (
            {"bias_v": 3.28},
            "bias_v is 3.28; it must be more than swing_margin_v (0.05 V) from both 0 and supply_v",
        ),
        ({"swing_margin_v": 2.0}, "bias_v is 1.65; it must be more than swing_margin_v (2 V) from both 0"),
        ({"input_offset_v": 1.0}, "input_offset_v is 1.0; it must be from -0.1 to 0.1 V"),
        ({"noise_v_per_rthz": -1e-9}, "noise_v_per_rthz is -1e-09; it must be from 0 to 0.001 V/√Hz"),
    ],
)
def test_preamps_that_cannot_be(fields, text):
    with pytest.raises(ParameterError) as caught:
        Preamp(**fields)
    assert str(caught.value).startswith(text)
