"""Dead time of a precision rectifier at the zero crossing, against its amplifier's equation solved apart."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from envlab.analog.detector import PeakDetector
from envlab.analog.rectifiers.ideal import Rectifier, rectify, rectify_in_time
from envlab.analog.tones.nonlinear_steady_state import tone_response_at
from envlab.analog.tones.steady_state import tone_response
from envlab.errors import ParameterError

RATE_HZ = 384_000.0


def amplifier(source_v, duration_s: float, gbw: float, slew: float, drop: float):
    """da/dt = 2π·GBW·(s − out) within the slew rate, held at −drop by a second diode; returns its output."""

    def slopes(t, state):
        a = state[0]
        wanted = 2 * math.pi * gbw * (source_v(t) - max(a - drop, 0.0))
        wanted = min(max(wanted, -slew), slew)
        return [max(wanted, 0.0) if a <= -drop else wanted]

    solution = solve_ivp(
        slopes, (0, duration_s), [-drop], rtol=1e-6, atol=1e-7, max_step=2e-7, dense_output=True
    )
    return lambda t: np.maximum(solution.sol(t)[0] - drop, 0.0)


@pytest.mark.parametrize(
    ("frequency_hz", "peak_v", "gbw", "slew"),
    [
        (1000.0, 0.1, 1e6, 0.5e6),
        (5000.0, 0.5, 1e6, 0.5e6),
        (10_000.0, 1.0, 10e6, 5e6),
        (2000.0, 0.02, 3e5, 1e6),
    ],
)
def test_what_passes(frequency_hz, peak_v, gbw, slew):
    duration_s = 1.5 / frequency_hz
    n = np.arange(int(duration_s * RATE_HZ))
    signal = peak_v * np.sin(2 * np.pi * frequency_hz * n / RATE_HZ)
    rectifier = Rectifier("half", gain_bandwidth_hz=gbw, slew_v_per_s=slew)
    drive, _ = rectify_in_time(signal, rectifier, sample_rate_hz=RATE_HZ)
    truth = amplifier(lambda t: peak_v * math.sin(2 * math.pi * frequency_hz * t), duration_s, gbw, slew, 0.6)
    fine = (n[:, None] + (np.arange(32) + 0.5) / 32 - 0.5) / RATE_HZ
    over_interval = truth(np.clip(fine, 0, duration_s).ravel()).reshape(fine.shape).mean(axis=1)
    # charge that arrives, in share of what an ideal rectifier passes; and any sample within 5 % of the peak
    ideal = rectify(signal, rectifier)
    assert abs(drive.sum() - over_interval.sum()) < 5e-3 * ideal.sum()
    assert np.abs(drive - over_interval).max() < 0.05 * peak_v
    if slew < 1e6 or peak_v < 0.05:
        assert drive.sum() < 0.995 * ideal.sum()


def test_quiet_treble_is_lost_and_loud_bass_is_not():
    detector = PeakDetector(1e3, 0.1e-6, 100e3)
    slow = Rectifier("full", gain_bandwidth_hz=1e6, slew_v_per_s=0.5e6)

    def kept(frequency_hz: float, peak_v: float) -> float:
        ideal = tone_response(detector, Rectifier("full"), frequency_hz).settled_ratio
        return tone_response_at(detector, slow, frequency_hz, peak_v).settled_ratio / ideal

    assert kept(60.0, 1.0) > 0.97
    # The integral of 2π·GBW·s over a half wave is 2·GBW/f·peak: 0.8 V at 4 mV, which does not cross 1.2 V.
    assert kept(10_000.0, 0.004) < 1e-3
    assert 0.5 < kept(10_000.0, 0.01) < kept(10_000.0, 0.3) < 1.02


@pytest.mark.parametrize("kind", ["half", "full"])
@pytest.mark.parametrize("cut", [1, 64, 999])
def test_split_equals_whole(kind, cut):
    rectifier = Rectifier(kind, gain_bandwidth_hz=1e6, slew_v_per_s=1e6)
    signal = np.random.default_rng(1).normal(0, 0.5, 1000)
    whole, end = rectify_in_time(signal, rectifier, sample_rate_hz=RATE_HZ)
    first, middle = rectify_in_time(signal[:cut], rectifier, sample_rate_hz=RATE_HZ)
    second, last = rectify_in_time(signal[cut:], rectifier, sample_rate_hz=RATE_HZ, state=middle)
    assert np.array_equal(whole, np.concatenate((first, second)))
    assert end == last


def test_a_quick_one_is_the_ideal_one():
    signal = np.sin(np.arange(4000) / 50)
    quick = Rectifier("full", gain_bandwidth_hz=1e9, slew_v_per_s=1e12)
    drive, _ = rectify_in_time(signal, quick, sample_rate_hz=RATE_HZ)
    assert np.abs(drive - rectify(signal, quick)).max() < 0.01
    plain, _ = rectify_in_time(signal, Rectifier("full"), sample_rate_hz=RATE_HZ)
    assert np.array_equal(plain, np.abs(signal))


def test_a_passive_diode_has_no_amplifier():
    with pytest.raises(ParameterError, match=r"^gain_bandwidth_hz is 1000000.0; it must be left out with a"):
        Rectifier("full", diode="silicon", gain_bandwidth_hz=1e6)
