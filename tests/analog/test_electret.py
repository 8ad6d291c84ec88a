"""Electret: operating point by hand, gain over load, headroom; overload and covering of any microphone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from envlab.analog.electret import Electret
from envlab.analog.microphone import Microphone, hear, is_overloaded, overloaded_pa, self_noise_pa
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.stage import InputLoad, Surroundings
from envlab.chain import Chain
from envlab.engine.board import front_end_of
from envlab.engine.front_end import FrontEnd
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
    tone_pa = 2000.0 * np.sin(2 * np.pi * 1000 * np.arange(3840) / RATE_HZ)
    volts, _, limited = electret.advance(tone_pa, Surroundings(RATE_HZ), None)
    assert [volts.min(), volts.max()] == pytest.approx([-2.2, 0.3])
    assert limited is not None
    assert np.array_equal(limited, (volts <= -2.2 + 1e-12) | (volts >= 0.3 - 1e-12))
    assert electret.overload_by_drain_db_spl == pytest.approx(
        20 * math.log10(0.3 / electret.sensitivity_v_pa / math.sqrt(2) / 20e-6)
    )


# What the amplifier's input takes by Ohm's law, with the
# transistor's own 50 kΩ beside the load: 0.18 dB of 2.2 kΩ, 1.9 dB of 15 kΩ
LOADS = [
    (Electret(), InputLoad(100e3, 1e-6), 0.181),
    (Electret(load_ohm=15e3, drain_current_a=0.1e-3, rated_load_ohm=15e3), InputLoad(47e3, 22e-9), 1.906),
]


@pytest.mark.parametrize(("electret", "load", "loss_db"), LOADS)
@pytest.mark.parametrize("frequency_hz", [30.0, 150.0, 1000.0, 8000.0])
def test_the_amplifier_draws_from_the_drain(electret, load, loss_db, frequency_hz, tone_gain):
    preamp = Preamp(input_ohm=load.ohm, coupling_farad=load.farad)
    source_ohm = electret.load_ohm * 50e3 / (electret.load_ohm + 50e3)
    assert 20 * math.log10((load.ohm + source_ohm) / load.ohm) == pytest.approx(loss_db, abs=1e-3)
    # Kirchhoff at the one loop of source, capacitor and input: the corner is that of both resistors.
    s = 2j * math.pi * frequency_hz * load.farad
    at_input = s * load.ohm / (1 + s * (load.ohm + source_ohm))
    alone = s * load.ohm / (1 + s * load.ohm)
    chain = Chain(microphone=electret, preamp=preamp)
    expected = electret.response(frequency_hz) * at_input * preamp.response(frequency_hz) / alone

    def preamp_v(quiet_pa):
        front = FrontEnd(front_end_of(chain), Surroundings(RATE_HZ))
        return front.advance(1e-3 * quiet_pa).nodes["preamp"] * 1e3

    measured = tone_gain(preamp_v, frequency_hz, RATE_HZ)
    assert measured == pytest.approx(expected, rel=3e-3)
    loaded = chain.microphone_as_loaded.response(frequency_hz) * preamp.response(frequency_hz)
    assert loaded == pytest.approx(expected, rel=1e-9)
    if frequency_hz == 1000.0:
        assert chain.peak_at_rectifier_v(94.0) == pytest.approx(
            abs(expected) * math.sqrt(2) * 20e-6 * 10 ** (94 / 20), rel=1e-9
        )


@pytest.mark.parametrize(("electret", "load", "loss_db"), LOADS)
@pytest.mark.parametrize("level_pa", [150.0, 600.0])
def test_a_clipping_drain_node_by_node(electret, load, loss_db, level_pa):
    """Capsule, its corners, then a current source that ends at 0 and a drain that ends above ground.

    Kirchhoff's current law at the drain, scipy's implicit integrator; nothing of the package but numbers. A
    capsule whose low corner comes behind its clipping drain is 5 to 30 % of the swing off.
    """
    del loss_db
    electret = replace(electret, overload_db_spl=160.0, low_corner_hz=150.0, high_corner_hz=9000.0)
    source_ohm = electret.load_ohm * 50e3 / (electret.load_ohm + 50e3)
    down_v = 3.3 - electret.drain_current_a * electret.load_ohm - 0.8
    up_v = electret.drain_current_a * electret.load_ohm

    def pressure(t):
        return level_pa * (math.sin(2 * math.pi * 220 * t) + 0.4 * math.sin(2 * math.pi * 500 * t))

    def drain_of(high_v, coupled_v):
        open_v = min(high_v, up_v)
        d = (load.ohm * open_v + source_ohm * coupled_v) / (load.ohm + source_ohm)
        return max(d, -down_v)

    def slopes(t, y):
        low, high, coupled = y
        felt = electret.sensitivity_v_pa * pressure(t)
        return [
            2 * math.pi * 150 * (felt - low),
            2 * math.pi * 9000 * (felt - low - high),
            (drain_of(high, coupled) - coupled) / (load.ohm * load.farad),
        ]

    t = np.arange(round(0.02 * RATE_HZ)) / RATE_HZ
    solution = solve_ivp(
        slopes,
        (0, t[-1]),
        [0.0, 0.0, 0.0],
        method="LSODA",
        t_eval=t[::8],
        rtol=1e-9,
        atol=1e-10,
        max_step=5e-5,
    )
    truth_v = np.array([drain_of(high, coupled) for _, high, coupled in solution.y.T])
    loaded = electret.loaded_by(load)
    volts, _, limited = loaded.advance(np.array([pressure(x) for x in t]), Surroundings(RATE_HZ), None)
    assert limited is not None
    assert 0.05 < limited.mean() < 0.95
    # a slope begins with a step: a part of a sample of it
    assert np.abs(volts[::8] - truth_v).max() < 2e-3 * (down_v + up_v)


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
    around = Surroundings(RATE_HZ)
    for stage in (electret, electret.loaded_by(InputLoad(47e3, 1e-8))):
        whole, end, _ = stage.advance(pressure_pa, around, None)
        first, middle, _ = stage.advance(pressure_pa[:cut], around, None)
        second, last, _ = stage.advance(pressure_pa[cut:], around, middle)
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
