"""Board preamp: node equations for the response, a stiff solver for overload, slope, settling and noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from envlab.analog.preamps.board_preamp import BoardPreamp, amplify_board, power_up_state, settling_s
from envlab.errors import ParameterError

RATE_HZ = 384_000.0


def stage_response(f: float, rf: float, rg: float, cg: float | None, cin: float, rin: float, gbw: float):
    """One stage: the input divider, then the amplifier's integrator with Rf and Rg + Cg back."""
    s = 2j * math.pi * f
    leg = rg + (0 if cg is None else 1 / (s * cg))
    fed_back = leg / (leg + rf)
    open_loop = 2 * math.pi * gbw / s
    return rin / (rin + 1 / (s * cin)) * open_loop / (1 + open_loop * fed_back)


@pytest.mark.parametrize("frequency_hz", [20.0, 100.0, 1000.0, 8000.0, 15_000.0])
@pytest.mark.parametrize("leg_farad", [10e-6, None])
@pytest.mark.parametrize("second_ohm", [None, 10e3])
def test_response(frequency_hz, leg_farad, second_ohm, tone_gain):
    preamp = BoardPreamp(
        22e3, 1e3, leg_farad, gain_bandwidth_hz=1e6, second_feedback_ohm=second_ohm, input_offset_v=0.0
    )
    expected = stage_response(frequency_hz, 22e3, 1e3, leg_farad, 1e-6, 100e3, 1e6)
    if second_ohm:
        expected *= stage_response(frequency_hz, second_ohm, 1e3, 10e-6, 1e-6, 100e3, 1e6)
    assert preamp.response(frequency_hz) == pytest.approx(expected, rel=1e-9)
    measured = tone_gain(
        lambda x: amplify_board(x, preamp, sample_rate_hz=RATE_HZ)[0], frequency_hz, RATE_HZ, settle_s=1.0
    )
    assert 20 * math.log10(abs(measured / expected)) == pytest.approx(0, abs=0.05)


def test_full_power_bandwidth():
    # SR/(2π·Vp): 0.5 V/µs at 1 V is 79.58 kHz. Well below it the sine stands, well above the slope is all.
    slew = 0.5e6
    assert slew / (2 * math.pi) == pytest.approx(79.58e3, rel=1e-4)
    preamp = BoardPreamp(1e3, 1e3, None, gain_bandwidth_hz=20e6, slew_v_per_s=slew, input_offset_v=0.0)
    rate_hz = 20e6

    def steepest_v_per_s(frequency_hz: float) -> tuple[float, float]:
        n = np.arange(round(20 / frequency_hz * rate_hz))
        out, _, _ = amplify_board(
            0.5 * np.sin(2 * np.pi * frequency_hz * n / rate_hz), preamp, sample_rate_hz=rate_hz
        )
        late = out[n.size // 2 :]
        return float(np.abs(np.diff(late)).max() * rate_hz), float(np.abs(late).max())

    slope, peak = steepest_v_per_s(0.95 * 79.58e3)
    assert slope == pytest.approx(0.95 * slew, rel=2e-3)
    assert peak == pytest.approx(1.0, rel=2e-3)
    slope, peak = steepest_v_per_s(2.0 * 79.58e3)
    assert slope == pytest.approx(slew, rel=1e-6)
    # a triangle: slope times a quarter of the period
    assert peak == pytest.approx(slew / (4 * 2 * 79.58e3), rel=0.02)


def circuit(times_s, source_v, *, rf, rg, cg, cin, rin, low, high, start):
    """Both capacitors in continuous time; the amplifier is quick and ends at its rails."""
    gain = 1 + rf / rg

    def output(t, vin, vg):
        return np.clip(gain * (source_v(t) - vin) - (gain - 1) * vg, low, high)

    def slopes(t, state):
        vin, vg = state
        return [(source_v(t) - vin) / (rin * cin), (output(t, vin, vg) - vg) / ((rf + rg) * cg)]

    solution = solve_ivp(slopes, (0, times_s[-1]), start, t_eval=times_s, rtol=1e-8, atol=1e-8, max_step=1e-4)
    return np.array([output(t, *state) for t, state in zip(times_s, solution.y.T, strict=True)])


def test_overload_shifts_the_leg_and_it_comes_back():
    # A one-sided overload charges the ground leg's capacitor; afterwards the output is away from rest.
    rf, rg, cg, cin, rin = 22e3, 1e3, 1e-6, 0.1e-6, 100e3
    preamp = BoardPreamp(rf, rg, cg, cin, rin, gain_bandwidth_hz=20e6, bias_v=1.0, input_offset_v=0.0)
    n = np.arange(round(0.06 * RATE_HZ))

    def source_v(t):
        return 0.4 * math.sin(2 * math.pi * 100 * t) * (t < 0.03)

    signal = np.array([source_v(t) for t in n / RATE_HZ])
    out, clipped, _ = amplify_board(signal, preamp, sample_rate_hz=RATE_HZ)
    assert clipped > 0.3 * 0.03 * RATE_HZ
    stamps = n[::50] / RATE_HZ
    truth = circuit(
        stamps,
        source_v,
        rf=rf,
        rg=rg,
        cg=cg,
        cin=cin,
        rin=rin,
        low=-0.95,
        high=3.3 - 0.05 - 1.0,
        start=[0, 0],
    )
    assert np.abs(out[::50] - truth).max() < 2e-3 * 2.25
    # and the shift is really there: volts at the output while nothing sounds
    assert np.abs(out[round(0.031 * RATE_HZ)]) > 0.1


@pytest.mark.parametrize("reference_node_v", [None, 0.0])
def test_power_up(reference_node_v):
    # The input falls from the microphone's rest to bias with R·C = 0.1 s; the leg's capacitor, if its foot is
    # at ground, fills through Rf + Rg.
    rf, rg, cg = 10e3, 1e3, 10e-6
    preamp = BoardPreamp(rf, rg, cg, 1e-6, 100e3, leg_foot_v=reference_node_v, input_offset_v=0.0)
    start = power_up_state(preamp, microphone_quiescent_v=1.2)
    rate_hz = 48e3
    out, _, _ = amplify_board(np.zeros(48_000), preamp, sample_rate_hz=rate_hz, state=start)
    times = np.arange(1, 48_001, 480) / rate_hz
    truth = circuit(
        times,
        lambda _: 0.0,
        rf=rf,
        rg=rg,
        cg=cg,
        cin=1e-6,
        rin=100e3,
        low=-1.6,
        high=1.6,
        start=[1.65 - 1.2, 0.0 if reference_node_v is None else -1.65],
    )
    assert np.abs(out[480::480] - truth[1:]).max() < 2e-3 * 1.6
    settled = settling_s(preamp, 0.05, microphone_quiescent_v=1.2)
    assert np.abs(out[round(settled * rate_hz) :]).max() <= 0.05
    assert np.abs(out[round(settled * rate_hz) - 1]) > 0.05


def test_bias_current_drops_over_the_input_resistor():
    # 100 nA through 100 kΩ is 10 mV; with a leg capacitor the gain at rest is 1, without it 23.
    for leg, expected_v in ((10e-6, -0.01), (None, -0.23)):
        preamp = BoardPreamp(22e3, 1e3, leg, input_bias_a=100e-9, input_offset_v=0.0)
        out, _, _ = amplify_board(np.zeros(100), preamp, sample_rate_hz=RATE_HZ)
        assert out == pytest.approx(np.full(100, expected_v), rel=1e-9)
        assert preamp.output_offset_v == pytest.approx(expected_v)


def test_resistor_noise():
    # Thermal noise at 300 K: 1 kΩ is 4.070 nV/√Hz (4kTR); beside 3 nV/√Hz of the amplifier 5.056.
    preamp = BoardPreamp(22e3, 1e3, noise_v_per_rthz=3e-9)
    assert preamp.noise_density_v_per_rthz == pytest.approx(math.hypot(4.070e-9, 3e-9), rel=1e-4)
    assert BoardPreamp(22e3, 10e3, noise_v_per_rthz=0.0).noise_density_v_per_rthz == pytest.approx(
        12.872e-9, rel=1e-4
    )


@pytest.mark.parametrize("cut", [1, 64, 1999])
def test_split_equals_whole(cut):
    preamp = BoardPreamp(22e3, 1e3, 1e-6, second_feedback_ohm=10e3, slew_v_per_s=2e5, input_bias_a=1e-8)
    signal = np.random.default_rng(1).normal(0, 0.02, 2000)
    whole, clipped, end = amplify_board(signal, preamp, sample_rate_hz=RATE_HZ)
    first, some, middle = amplify_board(signal[:cut], preamp, sample_rate_hz=RATE_HZ)
    second, others, last = amplify_board(signal[cut:], preamp, sample_rate_hz=RATE_HZ, state=middle)
    assert np.array_equal(whole, np.concatenate((first, second)))
    assert (end, clipped) == (last, some + others)


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"slew_v_per_s": 0.0}, r"slew_v_per_s is 0.0; it must be from 1 to 1e\+12 V/s"),
        ({"second_feedback_ohm": -1.0}, "second_feedback_ohm is -1.0; it must be from 1 to 1e.08 ohm"),
        ({"leg_foot_v": 9.0}, "leg_foot_v is 9.0; it must be from 0 to 3.3 V"),
        ({"leg_foot_v": 0.0, "ground_farad": None}, r"leg_foot_v is 0.0; it must be bias_v \(1.65 V\), as"),
        ({"input_bias_a": 1e-4}, "input_bias_a is 0.0001; it must be such that its drop"),
    ],
)
def test_preamps_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}"):
        BoardPreamp(**fields)
