"""Electret: operating point by hand, gain over load, headroom; overload and covering of any microphone."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.analog.electret import Electret
from envlab.analog.microphone import Microphone, hear, is_overloaded, overloaded_pa, self_noise_pa
from envlab.errors import ParameterError
from envlab.sound.level import leq_db_spl

RATE_HZ = 384_000.0


def test_operating_point():
    # By hand: 0.3 mA through 2.2 kΩ is 0.66 V; the drain rests at 3.3 − 0.66 = 2.64 V.
    electret = Electret()
    assert electret.drain_v == pytest.approx(2.64)
    assert electret.headroom_v == (pytest.approx(2.64 - 0.8), pytest.approx(0.66))


def test_gain_follows_the_load():
    # −42 dBV/Pa is 7.94 mV/Pa at the rated 2.2 kΩ; 4.7 kΩ beside 50 kΩ over 2.2 kΩ beside 50 kΩ: 2.0389
    assert Electret().sensitivity_v_pa == pytest.approx(7.943e-3, rel=1e-4)
    ratio = (4700 * 50e3 / 54700) / (2200 * 50e3 / 52200)
    assert Electret(load_ohm=4700.0).sensitivity_v_pa == pytest.approx(7.943e-3 * ratio, rel=1e-4)
    assert abs(Electret(load_ohm=4700.0).response(1000.0) / Electret().response(1000.0)) == pytest.approx(
        ratio
    )


def test_a_load_that_starves_the_drain():
    with pytest.raises(ParameterError) as refused:
        Electret(load_ohm=10e3)
    text = str(refused.value)
    # (3.3 − 0.8) V/0.3 mA = 8333 Ω; 3.3 − 3.0 = 0.3 V are left
    assert "load_ohm is 10000.0" in text
    assert "under 8333 ohm" in text
    assert "starves the drain, which is left 0.30 V and needs 0.8 V" in text


def test_output_ends_at_supply_and_drain():
    # So loud that the drain hits both ends: 0.3 V up (1 kΩ at 0.3 mA) and 3.0 − 0.8 V down.
    electret = Electret(load_ohm=1e3, overload_db_spl=160.0, sensitivity_dbv_pa=-30.0)
    ends_pa = overloaded_pa(np.array([-2000.0, 2000.0]), electret)
    assert ends_pa * electret.sensitivity_v_pa == pytest.approx([-2.2, 0.3])
    assert electret.overload_by_drain_db_spl == pytest.approx(
        20 * math.log10(0.3 / electret.sensitivity_v_pa / math.sqrt(2) / 20e-6)
    )


def distortion(volts: np.ndarray) -> float:
    """Harmonics over fundamental, rms, of one cycle."""
    spectrum = np.abs(np.fft.rfft(volts))
    return float(np.sqrt((spectrum[2:] ** 2).sum()) / spectrum[1])


@pytest.mark.parametrize(("below_db", "low", "high"), [(0, 0.0999, 0.1001), (6, 0.0, 0.03), (20, 0.0, 3e-5)])
def test_smooth_overload_has_ten_percent_at_its_point(below_db, low, high):
    # The acoustic overload point is the level of 10 % distortion (common practice, no source).
    microphone = Microphone(overload="smooth")
    peak_pa = microphone.overload_pa * 10 ** (-below_db / 20)
    cycle_pa = peak_pa * np.sin(2 * np.pi * (np.arange(4096) + 0.5) / 4096)
    assert low <= distortion(overloaded_pa(cycle_pa, microphone)) <= high


def test_smooth_overload_begins_straight_and_never_turns():
    microphone = Microphone(overload="smooth")
    x = np.linspace(-200, 200, 4001)
    y = overloaded_pa(x, microphone)
    assert (np.diff(y) > 0).all()
    assert y[2001] == pytest.approx(x[2001], rel=1e-6)
    assert y[-1] < microphone.overload_pa


@pytest.mark.parametrize("frequency_hz", [20.0, 100.0, 1000.0, 5000.0, 15_000.0])
def test_covering_over_frequency(frequency_hz, tone_gain):
    bare = Microphone()
    covered = Microphone(covering_loss_db=3.0, covering_corner_hz=4000.0)
    measured = tone_gain(lambda x: hear(x, covered, sample_rate_hz=RATE_HZ)[0], frequency_hz, RATE_HZ)
    # one pole and a flat loss
    expected = 10 ** (-3 / 20) / (1 + 1j * frequency_hz / 4000.0) * bare.response(frequency_hz)
    assert 20 * math.log10(abs(measured / expected)) == pytest.approx(0, abs=0.05)


def test_covering_takes_sound_not_self_noise():
    covered = Microphone(covering_loss_db=20.0, signal_to_noise_db=60.0, overload="clip")
    noise_pa = self_noise_pa(covered, 1 << 18, 48_000.0, np.random.default_rng(1))
    volts, _ = hear(noise_pa, covered, sample_rate_hz=48_000.0)
    level = leq_db_spl(volts / covered.sensitivity_v_pa, 48_000.0, "A")
    assert level == pytest.approx(34.0, abs=0.5)


def test_overload_behind_a_covering_needs_more_sound():
    bare, covered = Microphone(), Microphone(covering_loss_db=6.0)
    pressure_pa = np.array([0.0, 1.5, -1.5, 3.0]) * bare.overload_pa
    assert is_overloaded(pressure_pa, bare).tolist() == [False, True, True, True]
    assert is_overloaded(pressure_pa, covered).tolist() == [False, False, False, True]


@pytest.mark.parametrize("cut", [1, 100, 999])
def test_split_equals_whole(cut):
    electret = Electret(overload="smooth", covering_loss_db=2.0, covering_corner_hz=3000.0)
    pressure_pa = np.random.default_rng(2).normal(0, 30, 1000)
    whole, end = hear(pressure_pa, electret, sample_rate_hz=RATE_HZ)
    first, middle = hear(pressure_pa[:cut], electret, sample_rate_hz=RATE_HZ)
    second, last = hear(pressure_pa[cut:], electret, sample_rate_hz=RATE_HZ, state=middle)
    assert np.array_equal(whole, np.concatenate((first, second)))
    assert end == last


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ({"drain_current_a": 0.0}, "drain_current_a is 0.0; it must be from 1e-06 to 0.005 A"),
        ({"overload": "soft"}, "overload is 'soft'; it must be one of clip, smooth"),
        ({"covering_loss_db": -1.0}, "covering_loss_db is -1.0; it must be from 0 to 40 dB"),
    ],
)
def test_microphones_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}$"):
        Electret(**fields)
