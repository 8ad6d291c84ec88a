"""Preamp against its transfer function, textbook corners, and the rails."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.board_circuit import Stage
from reference.examples import examples
from scipy import signal
from scipy.integrate import solve_ivp

from envlab.analog.preamps.board_preamp import BoardPreamp, amplify_board
from envlab.analog.preamps.preamp import Preamp, PreampState, amplify, input_noise_v
from envlab.analog.stage import Surroundings
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
    # By hand from the parts: C·R in; an amplifier GBW/jf whose loop is closed by the divider of Rf and
    # Rg + 1/jωC: A/(1 + A·β).
    s = 2j * math.pi * frequency_hz
    coupling = s * preamp.input_ohm * preamp.coupling_farad
    leg_ohm = preamp.ground_ohm + (1 / (s * preamp.ground_farad) if preamp.ground_farad else 0)
    open_loop = preamp.gain_bandwidth_hz / (1j * frequency_hz)
    by_hand = coupling / (1 + coupling) * open_loop / (1 + open_loop / (1 + preamp.feedback_ohm / leg_ohm))
    assert preamp.response(frequency_hz) == pytest.approx(by_hand, rel=1e-9)
    measured = tone_gain(output(preamp), frequency_hz, RATE_HZ)
    assert decibel(measured) == pytest.approx(decibel(by_hand), abs=0.05)
    assert abs(np.angle(measured / by_hand, deg=True)) < 0.5


def test_output_clips_at_the_swing_exactly_and_counts():
    # No capacitor in the leg, which this overload would charge.
    preamp = Preamp(99e3, 1e3, None, supply_v=3.3, bias_v=1.2, swing_margin_v=0.05, input_offset_v=0)
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


def nodal_output_v(preamp: Preamp, wave, times_s: np.ndarray, longest_step_s: float) -> np.ndarray:
    """Kirchhoff's current law at both inputs, an integrator for the amplifier, its output between rails.

    scipy's implicit integrator; nothing of the package but part values. tests/reference/board_circuit.py.
    """
    stage = Stage(
        preamp.coupling_farad, preamp.input_ohm, preamp.feedback_ohm, preamp.ground_ohm, preamp.ground_farad,
        preamp.gain_bandwidth_hz, 1e12, preamp.input_offset_v, 0.0, -preamp.swing_down_v, preamp.swing_up_v,
    )  # fmt: skip
    solution = solve_ivp(
        lambda t, y: stage.slopes(wave(t), *y),
        (0.0, float(times_s[-1])),
        stage.at_rest(0.0),
        method="LSODA",
        t_eval=times_s,
        rtol=1e-8,
        atol=[1e-11, 1e-9, 1e-9],
        max_step=longest_step_s,
    )
    assert solution.success
    return np.clip(solution.y[2], -preamp.swing_down_v, preamp.swing_up_v)


@pytest.mark.parametrize(
    ("peak_v", "frequency_hz", "bias_v"), [(0.1, 200.0, 1.65), (0.3, 1000.0, 1.2), (0.1, 80.0, 2.2)]
)
def test_the_ground_leg_is_charged_by_the_output_as_it_is(peak_v, frequency_hz, bias_v):
    # An overload of 10 to 20 dB that leans to one side, and the quiet after it, where the leg's capacitor
    # gives back what it took. A leg that forgot the rails ended up to 1 V away. Where a steep output leaves a
    # rail is known to a part of a sample: a wave of 14 V moves 0.2 V in one.
    preamp = Preamp(47e3, 1e3, 4.7e-6, 0.47e-6, bias_v=bias_v)

    def wave(t):
        envelope = math.sin(math.pi * min(t / 0.02, 1.0)) ** 2
        turn = 2 * math.pi * frequency_hz * t
        return peak_v * (envelope * (math.sin(turn) + 0.5 * math.cos(2 * turn)) + 0.02 * math.sin(3 * turn))

    t = np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
    out = amplify(np.array([wave(one) for one in t]), preamp, sample_rate_hz=RATE_HZ)
    assert 0.1 < out.clipped / t.size < 0.9
    truth_v = nodal_output_v(preamp, wave, t[::16], 1 / (100 * frequency_hz))
    apart_v = np.abs(out.preamp_v[::16] - truth_v)
    assert math.sqrt(np.mean(apart_v**2)) < 3e-4 * preamp.swing_up_v
    assert apart_v.max() < (5e-3 if frequency_hz == 1000 else 5e-4) * preamp.swing_up_v


def test_the_plain_preamp_clips_as_the_soldered_one():
    # The same law: what the soldered one adds is its slew rate, here out of the way.
    beat = np.exp(-((np.arange(20_000) % 7000) / RATE_HZ) / 3e-3)
    wave_v = 0.2 * beat * np.sin(2 * np.pi * 300 * np.arange(20_000) / RATE_HZ)
    plain = Preamp(47e3, 1e3, 2.2e-6, 1e-6)
    fields = {name: getattr(plain, name) for name in plain.__dataclass_fields__}
    soldered = BoardPreamp(**fields, slew_v_per_s=1e9)
    ours = amplify(wave_v, plain, sample_rate_hz=RATE_HZ)
    theirs_v, clipped, _ = amplify_board(wave_v, soldered, sample_rate_hz=RATE_HZ)
    assert ours.clipped > 1000
    assert abs(ours.clipped - clipped) <= 5
    assert np.abs(ours.preamp_v - theirs_v).max() < 1e-3 * plain.swing_up_v


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


@pytest.mark.parametrize(
    ("preamp", "bandwidth_hz"),
    [
        # π/2·f of one pole; of two π/2·f₁·f₂/(f₁ + f₂): the integrals of the squared responses
        (Preamp(), math.pi / 2 * 10e6 / 48),
        (Preamp(22e3, gain_bandwidth_hz=1e6), math.pi / 2 * 1e6 / 23),
        # no more than 1 MHz
        (Preamp(ground_farad=None, gain_bandwidth_hz=50e6), 1e6),
        (Preamp(gain_bandwidth_hz=1e12), 1e6),
        (
            BoardPreamp(9e3, second_feedback_ohm=4e3, gain_bandwidth_hz=3e6, ground_ohm=1e3),
            math.pi / 2 * 3e5 * 6e5 / 9e5,
        ),
    ],
    ids=["as it comes", "slow", "quick", "ideal", "two stages"],
)
def test_noise_at_the_output_is_that_of_the_whole_band(preamp, bandwidth_hz):
    # density·gain·√bandwidth: 274 µV for 10 nV/√Hz, a gain of 48 and 10 MHz. Drawn at the file's rate and
    # sent through the capsule it was 59 µV.
    samples = 400_000
    white = np.random.default_rng(3).standard_normal(samples + 1)
    noise_v = preamp.advance(input_noise_v(preamp, white, RATE_HZ), Surroundings(RATE_HZ), None).signal
    expected_v = preamp.noise_density_v_per_rthz * preamp.gain * math.sqrt(bandwidth_hz)
    assert noise_v[4000:].std() == pytest.approx(expected_v, rel=0.01)


def test_noise_has_its_density_in_the_band_of_music():
    # scipy.signal.welch; 10 nV/√Hz at the input, and no more than 4 % (0.3 dB) above that at 10 kHz
    white = np.random.default_rng(4).standard_normal(2_000_001)
    noise_v = input_noise_v(Preamp(noise_v_per_rthz=10e-9), white, RATE_HZ)
    frequency_hz, density = signal.welch(noise_v, RATE_HZ, nperseg=8192)
    for low_hz, high_hz, more in ((100, 2000, 1.001), (9000, 11_000, 1.018)):
        some = (frequency_hz > low_hz) & (frequency_hz < high_hz)
        assert math.sqrt(density[some].mean()) == pytest.approx(more * 10e-9, rel=0.012)


def test_noise_in_blocks_is_the_noise_of_the_whole():
    white = np.random.default_rng(5).standard_normal(1001)
    whole = input_noise_v(Preamp(), white, RATE_HZ)
    parts = [input_noise_v(Preamp(), white[i : j + 1], RATE_HZ) for i, j in ((0, 1), (1, 64), (64, 1000))]
    assert np.array_equal(np.concatenate(parts), whole)


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
        ({"gain_bandwidth_hz": 0}, "gain_bandwidth_hz is 0; it must be from 1000 to 1e+12 Hz"),
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
