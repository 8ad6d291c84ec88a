"""Amplifiers with a diode in their loop and the hold capacitor: blocks, lanes, dead time, leakage, end."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from envlab.analog.detector import PeakDetector, detect
from envlab.analog.envelope import HoldState, hold_signal, offered_v
from envlab.analog.kernels.half_waves import half_wave_kernels
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.half_wave_circuit import CONDUCTS_V, coupling_numbers
from envlab.analog.rectifiers.half_waves import HalfWave
from envlab.engine.hold_stage import FEW_BEHIND_AMPLIFIERS, HoldStage
from envlab.sound.interpolate import interpolate

RATE_HZ = 384_000.0
DETECTOR = PeakDetector(4.7e3, 1e-6, 220e3)
BUILT = {
    one.topology + what: one.as_built(1.65, 3.3)
    for what, one in (
        (" on ground", DifferenceSuperdiodes()),
        (" lifted", DifferenceSuperdiodes(0.15, diode="schottky", bias_current_a=20e-9)),
        ("", AbsoluteValue(0.15, offset_u2a_v=1e-3)),
        ("", Diodeless()),
        ("", BiasSuperdiodes(gain_bandwidth_hz=1e6)),
    )
}
# As little as blocks and lets through at once: gains of 1, no errors, no lowest output in the way.
PLAIN = replace(
    BUILT["bias_superdiodes"],
    upper=HalfWave(1.0, 0.0, -1.0),
    lower=HalfWave(1.0, 0.0, -1.0),
    gain_bandwidth_hz=math.inf,
    slew_v_per_s=math.inf,
    output_high_v=1e6,
    saturation_a=1e-30,
    leakage_ohm=1e15,
    drawn_a=0.0,
)


def strokes(samples: int, seed: int = 3) -> np.ndarray:
    """Noise that comes and goes from 1 mV to 1 V."""
    rng = np.random.default_rng(seed)
    level = 10 ** np.interp(np.arange(samples), np.linspace(0, samples, 9), rng.uniform(-3, 0, 9))
    slow = np.convolve(rng.standard_normal(samples), np.ones(24) / 24, "same")
    return 2 * level * slow


def _noise(level_v: float, seed: int) -> np.ndarray:
    wave = interpolate(np.random.default_rng(seed).standard_normal(2400), RATE_HZ / 8)
    return np.clip(level_v * wave, -1.6, 1.6)[:19_200]


# That come and go; that keep every amplifier on its way all the time; that drive outputs to their ends.
SOUNDS = {"strokes": strokes(19_200), "hiss": _noise(1e-3, 4), "clipped noise": _noise(1.6, 5)}


def test_what_stands_for_a_conducting_diode_is_the_same_on_both_sides():
    assert half_wave_kernels.CONDUCTS == CONDUCTS_V


def test_amplifiers_that_are_at_once_make_the_ideal_rectifier():
    signal = strokes(40_000)
    held_v, _ = hold_signal(signal, PLAIN, DETECTOR, sample_rate_hz=RATE_HZ)
    ideal_v, _ = detect(np.abs(signal), DETECTOR, sample_rate_hz=RATE_HZ)
    np.testing.assert_allclose(held_v, ideal_v, rtol=0, atol=1e-9)


@pytest.mark.parametrize("name", BUILT)
@pytest.mark.parametrize("cuts", [(1,), (777, 778, 4000), (8,)])
def test_two_blocks_equal_one(name, cuts):
    signal, state = strokes(20_000), HoldState(0.05)
    whole_v, end = hold_signal(signal, BUILT[name], DETECTOR, sample_rate_hz=RATE_HZ, state=state)
    pieces, offered = [], []
    for some in np.split(signal, cuts):
        offered.append(offered_v(some, BUILT[name], sample_rate_hz=RATE_HZ, state=state))
        held_v, state = hold_signal(some, BUILT[name], DETECTOR, sample_rate_hz=RATE_HZ, state=state)
        pieces.append(held_v)
    assert np.array_equal(np.concatenate(pieces), whole_v)
    assert state == end
    whole = offered_v(signal, BUILT[name], sample_rate_hz=RATE_HZ, state=HoldState(0.05))
    assert np.array_equal(np.concatenate(offered), whole)


@pytest.mark.parametrize("name", BUILT)
@pytest.mark.parametrize("count", [FEW_BEHIND_AMPLIFIERS + 1, 40])
@pytest.mark.parametrize("sound", ["strokes", "hiss", "clipped noise"])
def test_lanes_hold_what_one_by_one_holds(name, count, sound):
    """Within a piece they are singles: 6e-8 stands beside each half wave, and what is held follows those."""
    detectors = tuple(PeakDetector(ohm, 1e-6, 220e3) for ohm in np.geomspace(100, 100e3, count))
    signal, due = SOUNDS[sound], np.arange(3, 19_200, 97)
    fraction = np.random.default_rng(1).random(due.size)
    lanes = HoldStage(detectors, BUILT[name], RATE_HZ, [HoldState(0.02)] * count)
    # In blocks of whole tiles, the last but one.
    found = []
    for first, last in ((0, 6400), (6400, 12_864), (12_864, 19_200)):
        some = (due >= first) & (due < last)
        found.append(lanes.read(signal[first:last], due[some] - first, fraction[some]))
    for i, detector in enumerate(detectors):
        held_v, _ = hold_signal(signal, BUILT[name], detector, sample_rate_hz=RATE_HZ, state=HoldState(0.02))
        expected = held_v[due - 1] + fraction * (held_v[due] - held_v[due - 1])
        within_v = 1.2e-7 * max(0.2, np.abs(signal).max())
        np.testing.assert_allclose(np.concatenate(found)[:, i], expected, rtol=0, atol=within_v)


def reduced_law(built, detector, signal_of, duration_s, start_v):
    """The law in continuous time, solved apart: (held, upper amplifier) with its diode as a switch."""
    w, slew = 2 * math.pi * built.gain_bandwidth_hz, built.slew_v_per_s
    slope_v, saturation_a, ohm = built.diode_slope_v, built.saturation_a, detector.attack_ohm

    def bled(v):
        across = v - built.output_low_v
        blocked_a = saturation_a * (1 - math.exp(-across / slope_v)) + across / built.leakage_ohm
        return -v / detector.release_ohm - 2 * blocked_a - built.drawn_a

    def half(t, sign):
        side = built.upper if sign > 0 else built.lower
        made = side.gain * sign * signal_of(t) + side.error_v
        return min(max(made, side.pedestal_v), side.ceiling_v)

    times, volts = [0.0], [start_v]
    v, outs, conducts = start_v, [built.output_low_v] * 2, [False, False]
    step_s = 2e-8
    for n in range(round(duration_s / step_s)):
        t = (n + 0.5) * step_s
        sides = [half(t, 1), half(t, -1)]
        charge_a = 0.0
        for k, s in enumerate(sides):
            node = max(v, sides[1 - k]) if conducts[1 - k] else v
            over = s - node
            if conducts[k] and over > 0:
                charge_a = max(charge_a, (s - v) / ohm)
                continue
            if conducts[k]:
                conducts[k], outs[k] = False, node
            outs[k] = max(outs[k] + step_s * min(max(w * over, -slew), slew), built.output_low_v)
            if over > 0 and outs[k] >= node + slope_v * math.log1p(over / (ohm * saturation_a)):
                conducts[k] = True
        leaves_a = -v / detector.release_ohm if charge_a else bled(v)
        v += step_s / detector.hold_farad * (charge_a + leaves_a)
        times.append((n + 1) * step_s)
        volts.append(v)
    return np.array(times), np.array(volts)


@pytest.mark.parametrize("frequency_hz", [1000.0, 10_000.0])
def test_against_the_law_in_steps_of_20_ns(frequency_hz):
    """Each sample is held over its interval, and the moment of conduction found within: no smaller step."""
    detector, built = PeakDetector(1e3, 47e-9, 100e3), BUILT["bias_superdiodes"]
    duration_s = 6e-3

    def signal_of(t):
        return 0.1 * math.sin(2 * math.pi * frequency_hz * t)

    times, volts = reduced_law(built, detector, signal_of, duration_s, 0.0)
    n = np.arange(round(duration_s * RATE_HZ) - 1)
    signal = np.array([signal_of(t) for t in n / RATE_HZ])
    held_v, _ = hold_signal(signal, built, detector, sample_rate_hz=RATE_HZ)
    expected = np.interp((n + 0.5) / RATE_HZ, times, volts)
    assert np.abs(held_v - expected).max() < 2e-3 * 0.1


def test_dead_time_of_a_step():
    """A step of 10 mV at an amplifier at its lowest: (held + drop − lowest)/(2π·GBW·10 mV) goes by first."""
    built = replace(BUILT["bias_superdiodes"], slew_v_per_s=1e12)
    detector, step_v = PeakDetector(4.7e3, 1e-6, 220e3), 0.010
    held_v, _ = hold_signal(np.full(400, step_v), built, detector, sample_rate_hz=RATE_HZ)
    began = int(np.argmax(held_v > 1e-7))
    drop_v = built.diode_slope_v * math.log1p(step_v / (4.7e3 * built.saturation_a))
    dead_s = (drop_v - built.output_low_v) / (2 * math.pi * 1e6 * step_v)
    assert began / RATE_HZ == pytest.approx(dead_s, abs=1.5 / RATE_HZ)


def test_slew_takes_longer_than_gain_bandwidth_where_it_is_slow():
    built = replace(BUILT["bias_superdiodes"], slew_v_per_s=0.05e6, gain_bandwidth_hz=1e9)
    held_v, _ = hold_signal(np.full(600, 0.5), built, DETECTOR, sample_rate_hz=RATE_HZ)
    drop_v = built.diode_slope_v * math.log1p(0.5 / (4.7e3 * built.saturation_a))
    dead_s = (drop_v - built.output_low_v) / 0.05e6
    assert int(np.argmax(held_v > 1e-6)) / RATE_HZ == pytest.approx(dead_s, abs=1.5 / RATE_HZ)


def test_blocked_diodes_and_inputs_empty_the_capacitor():
    built, start_v = BUILT["difference_superdiodes lifted"], 0.5
    silence = np.zeros(48_000)
    held_v, _ = hold_signal(silence, built, DETECTOR, sample_rate_hz=RATE_HZ, state=HoldState(start_v))

    def slope(_, v):
        across = v[0] - built.output_low_v
        a = 2 * built.saturation_a * (1 - math.exp(-across / built.diode_slope_v))
        a += 2 * across / built.leakage_ohm + built.drawn_a
        return [-(v[0] / DETECTOR.release_ohm + a) / DETECTOR.hold_farad]

    end_s = (silence.size - 0.5) / RATE_HZ
    truth = solve_ivp(slope, (0, end_s), [start_v], rtol=1e-9, atol=1e-12)
    assert held_v[-1] == pytest.approx(truth.y[0, -1], rel=2e-4)
    plain, _ = hold_signal(silence, PLAIN, DETECTOR, sample_rate_hz=RATE_HZ, state=HoldState(start_v))
    assert held_v[-1] < 0.95 * plain[-1]


def test_headroom_by_root_finding():
    """At its highest an output drives the capacitor through diode, its own ohms and the attack resistor."""
    built = BUILT["bias_superdiodes"]
    held_v, _ = hold_signal(np.full(800_000, 1.6), built, DETECTOR, sample_rate_hz=RATE_HZ)

    def lacks(i):
        drop_v = built.diode_slope_v * math.log1p(i / built.saturation_a)
        return built.output_high_v - i * (220e3 + 4.7e3 + built.series_ohm) - drop_v

    assert held_v[-1] == pytest.approx(220e3 * brentq(lacks, 0, 1e-3), rel=1e-4)
    assert held_v[-1] < 1.3


def test_of_two_equal_half_waves_one_conducts_and_stays():
    """On a pedestal both are offered the same; found when it idled 20 % low, each blocking the other."""
    held_v, _ = hold_signal(
        np.zeros(500_000), BUILT["difference_superdiodes on ground"], DETECTOR, sample_rate_hz=RATE_HZ
    )
    pedestal_v = BUILT["difference_superdiodes on ground"].upper.pedestal_v
    assert held_v[-1] == pytest.approx(pedestal_v * DETECTOR.divider, rel=1e-3)


def test_a_step_onto_the_coupling_capacitor_is_that_of_its_time_constant():
    """1 − exp(−T/RC) through one return, and through both side by side while x is below the lower."""
    built = replace(PLAIN, coupling_farad=10e-9, return_ohm=10e3)
    step_s = 1 / RATE_HZ
    alone = 1 - math.exp(-step_s / (10e3 * 10e-9))
    assert coupling_numbers(built, RATE_HZ) == pytest.approx((alone, 0.0, 0.0), rel=1e-12)
    both = replace(built, lower_return_ohm=5e3, lower_return_v=-0.4)
    shared = 1 - math.exp(-step_s / (10e3 / 3 * 10e-9))
    assert coupling_numbers(both, RATE_HZ) == pytest.approx((alone, shared - alone, -0.4), rel=1e-12)
    assert coupling_numbers(replace(both, coupling_farad=None), RATE_HZ) == (0.0, 0.0, 0.0)
    assert coupling_numbers(replace(both, return_ohm=None), RATE_HZ) == (0.0, 0.0, 0.0)
