"""Detectors against closed forms of their circuits, and what must hold for any part and any drive."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from envlab.analog.detector import AverageDetector, PeakDetector, detect, hold_step, hold_steps
from envlab.errors import ParameterError

RATE_HZ = 384_000.0

OHMS = st.floats(-2, 8).map(lambda x: 10.0**x)
FARADS = st.floats(-12, 0).map(lambda x: 10.0**x)
RELEASE_OHMS = st.floats(0, 9).map(lambda x: 10.0**x)
PEAKS = st.builds(PeakDetector, OHMS, FARADS, RELEASE_OHMS)
DETECTORS = PEAKS | st.builds(AverageDetector, OHMS, FARADS)
DRIVES = hnp.arrays(np.float64, st.integers(1, 60), elements=st.floats(0, 10))
# Small drives down to 1e-6: nothing of what scales by powers of two may fall among the denormals.
NORMAL_DRIVES = hnp.arrays(np.float64, st.integers(1, 60), elements=st.just(0.0) | st.floats(1e-6, 10))


def run(drive: np.ndarray, detector: PeakDetector | AverageDetector, start_v: float = 0.0) -> np.ndarray:
    return detect(drive, detector, sample_rate_hz=RATE_HZ, start_v=start_v)[0]


def test_time_constants_by_hand():
    detector = PeakDetector(attack_ohm=4.7e3, hold_farad=1e-6, release_ohm=470e3)
    # 470/474.7 = 0.990099; 1 µF·(4.7 k ∥ 470 k) = 4.65347 ms; 1 µF·470 kΩ = 0.47 s.
    assert detector.divider == pytest.approx(0.990099, abs=5e-7)
    assert detector.charge_s == pytest.approx(4.65347e-3, rel=1e-6)
    assert detector.release_s == pytest.approx(0.47)
    assert AverageDetector(10e3, 1e-6).smoothing_s == pytest.approx(0.01)


def test_falls_8_686_db_per_time_constant():
    # v = v0·e^(−t/τ): 20 lg e = 8.685890 dB per τ, from every start.
    detector = PeakDetector(1e3, 1e-6, 100e3)
    held = run(np.zeros(int(0.3 * RATE_HZ)), detector, start_v=2.0)
    level_db = 20 * np.log10(held)
    steps = int(0.1 * RATE_HZ)
    assert level_db[0] - level_db[steps] == pytest.approx(8.685890, abs=1e-6)
    assert level_db[steps] - level_db[2 * steps] == pytest.approx(8.685890, abs=1e-6)


@pytest.mark.parametrize(
    ("attack_ohm", "release_ohm"), [(4.7e3, 470e3), (100.0, 1e6), (33e3, 33e3), (10e3, 1e3)]
)
def test_charges_through_the_divider_with_the_bleed_counted(attack_ohm, release_ohm):
    # C·dv/dt = (u − v)/Ra − v/Rr from 0 at u = 1: v = Rr/(Ra + Rr)·(1 − e^(−t/τ)), τ = C·(Ra ∥ Rr).
    held = run(np.ones(4000), PeakDetector(attack_ohm, 1e-6, release_ohm))
    tau = 1e-6 * attack_ohm * release_ohm / (attack_ohm + release_ohm)
    t = (np.arange(4000) + 1) / RATE_HZ
    by_hand = release_ohm / (attack_ohm + release_ohm) * -np.expm1(-t / tau)
    assert held == pytest.approx(by_hand, rel=1e-9)


def test_average_rises_from_10_to_90_percent_in_2_197_time_constants():
    # ln 9 = 2.197225 (closed form).
    held = run(np.ones(40_000), AverageDetector(10e3, 1e-6))
    t10, t90 = np.interp([0.1, 0.9], held, np.arange(held.size) / RATE_HZ)
    assert t90 - t10 == pytest.approx(2.197225 * 0.01, rel=1e-5)


@pytest.mark.parametrize(
    ("frequency_hz", "tau_s"), [(100.0, 1e-3), (100.0, 0.01), (40.0, 2.5e-3), (1000.0, 1e-3)]
)
def test_average_of_a_square_wave_moves_by_tanh(frequency_hz, tau_s):
    # One pole driven by a 50 % square 0..1 settles to peak-to-peak tanh(1/(4·f·τ)) (closed form).
    half = round(RATE_HZ / frequency_hz / 2)
    cycles = math.ceil(20 * tau_s * frequency_hz) + 2
    square = np.tile(np.r_[np.ones(half), np.zeros(half)], cycles)
    held = run(square, AverageDetector(tau_s / 1e-6, 1e-6))[-2 * half :]
    exact_hz = RATE_HZ / (2 * half)
    assert held.max() - held.min() == pytest.approx(math.tanh(1 / (4 * exact_hz * tau_s)), rel=1e-6)


@pytest.mark.parametrize(("kind", "mean"), [("full", 2 / math.pi), ("half", 1 / math.pi)])
def test_average_of_a_rectified_sine_is_its_mean(kind, mean):
    # 2/π and 1/π (closed forms); an average detector passes the mean whatever its time constant.
    wave = np.sin(2 * np.pi * (np.arange(384) + 0.5) / 384)
    drive = np.abs(wave) if kind == "full" else np.maximum(wave, 0)
    held = run(np.tile(drive, 400), AverageDetector(22e3, 1e-6))
    assert held[-384:].mean() == pytest.approx(mean, rel=1e-4)


def carrier_cycles_without_charge(release_times_bound: float, depth: float) -> int:
    """How many carrier cycles in one period of the modulation pass over the diode."""
    rate_hz, carrier_hz, modulation_hz = 4e6, 20_000, 50
    bound_s = math.sqrt(1 - depth**2) / depth / (2 * math.pi * modulation_hz)
    t = np.arange(int(2 * rate_hz / modulation_hz)) / rate_hz
    envelope = 1 + depth * np.cos(2 * np.pi * modulation_hz * t)
    drive = envelope * np.abs(np.sin(2 * np.pi * carrier_hz * t))
    detector = PeakDetector(0.1, 1e-9, release_times_bound * bound_s / 1e-9)
    held, _ = detect(drive, detector, sample_rate_hz=rate_hz)
    half_cycle = round(rate_hz / carrier_hz / 2)
    rises = np.diff(held[held.size // 2 :]) > 0
    return int((~rises[: rises.size // half_cycle * half_cycle].reshape(-1, half_cycle).any(axis=1)).sum())


@pytest.mark.parametrize("depth", [0.3, 0.5, 0.8])
def test_follows_modulation_up_to_the_diagonal_clipping_bound(depth):
    # R·C·ω_m ≤ √(1 − m²)/m (RF textbooks; by comparing the slopes of envelope and discharge). The carrier is
    # 400 times faster than the modulation, which blurs the bound by about 1 %; ±4 % is taken.
    assert carrier_cycles_without_charge(0.96, depth) == 0
    assert carrier_cycles_without_charge(1.04, depth) > 0


@given(DRIVES, DETECTORS)
def test_never_exceeds_the_drive_and_never_goes_below_zero(drive, detector):
    held = run(drive, detector)
    assert (held >= 0).all()
    assert (held <= np.maximum.accumulate(drive) * (1 + 1e-12)).all()


@given(DRIVES, DETECTORS, st.floats(0, 100))
def test_is_finite_for_any_legal_part(drive, detector, start_v):
    held, end = detect(drive, detector, sample_rate_hz=RATE_HZ, start_v=start_v)
    assert np.isfinite(held).all()
    assert end == held[-1]


@given(DRIVES, PEAKS, st.floats(1, 100))
def test_more_release_never_holds_less_and_more_attack_never_more(drive, detector, factor):
    held = run(drive, detector)
    slower_ohm = min(detector.release_ohm * factor, 1e9)
    longer = PeakDetector(detector.attack_ohm, detector.hold_farad, slower_ohm)
    assert (run(drive, longer) >= held * (1 - 1e-9)).all()
    softer = PeakDetector(min(detector.attack_ohm * factor, 1e8), detector.hold_farad, detector.release_ohm)
    assert (run(drive, softer) <= held * (1 + 1e-9)).all()


@given(DRIVES, DRIVES, DETECTORS)
def test_more_drive_never_holds_less(drive, more, detector):
    size = min(drive.size, more.size)
    assert (run(drive[:size] + more[:size], detector) >= run(drive[:size], detector)).all()


@given(NORMAL_DRIVES, st.integers(-20, 6), st.floats(1e-6, 10))
def test_gain_scales_exactly_by_powers_of_two(drive, power, start_v):
    detector = PeakDetector(4.7e3, 1e-7, 220e3)
    scaled = run(np.ldexp(drive, power), detector, math.ldexp(start_v, power))
    assert np.array_equal(scaled, np.ldexp(run(drive, detector, start_v), power))


@settings(deadline=None)
@given(DRIVES, DETECTORS, st.lists(st.integers(0, 60), max_size=4))
def test_any_split_equals_the_whole_bit_for_bit(drive, detector, cuts):
    whole, end = detect(drive, detector, sample_rate_hz=RATE_HZ)
    parts, v = [], 0.0
    for part in np.split(drive, sorted(cuts)):
        held, v = detect(part, detector, sample_rate_hz=RATE_HZ, start_v=v)
        parts.append(held)
    assert np.array_equal(np.concatenate(parts), whole)
    assert v == end


def test_holds_between_peaks_and_forgets_nothing_at_once():
    drive = np.r_[np.ones(1000), np.zeros(1000)]
    held = run(drive, PeakDetector(100.0, 1e-7, 1e6))
    assert held[999] == pytest.approx(1.0, abs=2e-4)
    assert held[-1] == pytest.approx(held[999] * math.exp(-1000 / RATE_HZ / 0.1), rel=1e-9)


def test_step_of_an_average_never_bleeds():
    step = hold_step(AverageDetector(1e3, 1e-6), RATE_HZ)
    assert step.bleed_keep == 0
    assert step.charge_keep + step.charge_gain == pytest.approx(1, abs=1e-15)


@pytest.mark.parametrize("detector", [PeakDetector(1e3, 1e-6, 1e5), AverageDetector(1e3, 1e-6)])
def test_steps_at_many_rates_are_those_of_each(detector):
    rates_hz = np.array([8e3, 48e3, 384e3])
    assert hold_steps(detector, rates_hz) == pytest.approx(
        np.array([hold_step(detector, rate_hz) for rate_hz in rates_hz]), rel=1e-14
    )


def test_whole_numbers_are_volts_too_and_the_drive_is_left_alone():
    drive = np.array([0, 1, 2, 1, 0])
    kept = drive.copy()
    held = run(drive, PeakDetector(1e3, 1e-8, 1e6))
    assert held.dtype == np.float64
    assert np.array_equal(held, run(drive.astype(float), PeakDetector(1e3, 1e-8, 1e6)))
    assert np.array_equal(drive, kept)
    assert np.array_equal(held, run([0, 1, 2, 1, 0], PeakDetector(1e3, 1e-8, 1e6)))


def test_nothing_in_nothing_out():
    held, end = detect(np.empty(0), PeakDetector(1e3, 1e-8, 1e6), sample_rate_hz=RATE_HZ, start_v=0.7)
    assert held.shape == (0,)
    assert end == 0.7


@pytest.mark.parametrize(
    ("drive", "options", "text"),
    [
        ([0.0, math.nan], {}, r"drive_v\[1\] is nan; it must be a finite number"),
        ([math.inf], {}, r"drive_v\[0\] is inf; it must be a finite number"),
        (np.zeros((2, 3)), {}, r"drive_v is 'an array of shape \(2, 3\)'; it must be of shape \(n,\)"),
        (["loud"], {}, "drive_v is 'list'; it must be an array of numbers, .*"),
        ([0.0], {"sample_rate_hz": 0}, "sample_rate_hz is 0; it must be from 1e-07 to 1e[+]09 Hz"),
        ([0.0], {"start_v": -1.0}, "start_v is -1.0; it must be from 0 to 1000 V"),
        ([0.0], {"start_v": math.nan}, "start_v is nan; it must be a finite number"),
    ],
)
def test_refuses_what_it_would_get_wrong(drive, options, text):
    options = {"sample_rate_hz": RATE_HZ} | options
    with pytest.raises(ParameterError, match=f"^{text}$"):
        detect(drive, PeakDetector(1e3, 1e-8, 1e6), **options)


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ((0.0, 1e-6, 1e6), "attack_ohm is 0.0; it must be from 0.01 to 1e[+]08 ohm"),
        ((-4.7e3, 1e-6, 1e6), "attack_ohm is -4700.0; it must be from 0.01 to 1e[+]08 ohm"),
        ((1e3, 4.7, 1e6), "hold_farad is 4.7; it must be from 1e-12 to 1 F"),
        ((1e3, 1e-6, 0.0), "release_ohm is 0.0; it must be from 1 to 1e[+]09 ohm"),
        ((1e3, 1e-6, math.inf), "release_ohm is inf; it must be a finite number"),
    ],
)
def test_peak_detectors_that_cannot_be(fields, text):
    with pytest.raises(ParameterError, match=f"^{text}$"):
        PeakDetector(*fields)


def test_average_detectors_that_cannot_be():
    with pytest.raises(ParameterError, match=r"^smoothing_ohm is 0; it must be from 0.01 to 1e[+]08 ohm$"):
        AverageDetector(0, 1e-6)
    with pytest.raises(ParameterError, match=r"^hold_farad is 0; it must be from 1e-12 to 1 F$"):
        AverageDetector(1e3, 0)
