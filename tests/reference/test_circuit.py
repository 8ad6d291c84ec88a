"""The reference itself: against closed forms, a published formula, and its own tolerance halved."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import numpy as np
import pytest
from reference import circuit
from reference.circuit import TOLERANCE, Average, Formula, FrontEnd, Peak, Wave, chain_volts, detector_volts
from scipy.optimize import brentq

TURN = 2 * math.pi
FRONT = FrontEnd(
    sensitivity_v_pa=8e-3,
    overload_pa=28.0,
    microphone_low_hz=120.0,
    microphone_high_hz=14e3,
    coupling_hz=90.0,
    gain=48.0,
    leg_hz=150.0,
    gain_bandwidth_hz=3e6,
    offset_v=0.01,
    swing_up_v=1.6,
    swing_down_v=1.5,
)


def sine(frequency_hz: float, peak: float, duration_s: float) -> Formula:
    return Formula(lambda t: peak * math.sin(TURN * frequency_hz * t), peak, duration_s, frequency_hz)


def driven_from_rest(times_s: np.ndarray, omega: float, tau_s: float) -> np.ndarray:
    """One pole from rest, driven by sin ωt: the textbook solution of τ·dv/dt + v = sin ωt."""
    a = omega * tau_s
    return (np.sin(omega * times_s) - a * np.cos(omega * times_s) + a * np.exp(-times_s / tau_s)) / (
        1 + a * a
    )


def test_it_stands_alone() -> None:
    source = Path(circuit.__file__).read_text(encoding="utf-8")
    nodes = ast.walk(ast.parse(source))
    froms = {n.module.split(".")[0] for n in nodes if isinstance(n, ast.ImportFrom) and n.module}
    assert "envlab" not in source
    assert froms <= {"__future__", "collections", "dataclasses", "scipy"}


def test_wave_is_the_fourier_sum_and_passes_through_its_samples() -> None:
    rng = np.random.default_rng(1)
    samples, rate_hz = rng.standard_normal(900), 48_000
    wave = Wave(samples, rate_hz)
    np.testing.assert_allclose(wave(np.arange(900) / rate_hz), samples, atol=1e-12)
    times_s = rng.uniform(0, 900 / rate_hz, 50)
    period = 8192
    spectrum = np.fft.fft(samples, period)
    k = np.fft.fftfreq(period, 1 / period)
    spectrum[period // 2] = 0  # at Nyquist only the cosine is seen by the samples; it is put back below
    at_nyquist = np.sum(samples * (-1.0) ** np.arange(900)) * np.cos(np.pi * rate_hz * times_s)
    terms = np.exp(1j * TURN * np.outer(times_s, k) * rate_hz / period) @ spectrum
    np.testing.assert_allclose(wave(times_s), (terms.real + at_nyquist) / period, atol=1e-9)
    np.testing.assert_allclose([wave.at(t) for t in times_s], wave(times_s), atol=1e-14)


def test_wave_of_a_smooth_pulse_is_that_pulse() -> None:
    # A Gaussian whose spectrum has died out long before Nyquist is known between its samples as well.
    t = np.arange(2000) / 48_000
    pulse = np.exp(-(((t - 0.02) / 3e-4) ** 2))
    fine = np.arange(0.015, 0.025, 1.7e-6)
    np.testing.assert_allclose(Wave(pulse, 48_000)(fine), np.exp(-(((fine - 0.02) / 3e-4) ** 2)), atol=1e-10)


def test_average_detector_follows_its_closed_form() -> None:
    tau_s, f = 2e-3, 200.0
    times_s = np.linspace(0, 0.5 / f, 50)[:-1]  # the first half wave
    got = detector_volts(sine(f, 1.0, 0.5 / f), [Average(2e3, 1e-6)], times_s)[0]
    np.testing.assert_allclose(got, driven_from_rest(times_s, TURN * f, tau_s), atol=1e-7)


def test_average_detector_settles_at_the_mean_of_a_rectified_sine() -> None:
    # mean of full wave 2/π, of half wave 1/π (definition of the mean)
    for full_wave, mean in ((True, 2 / math.pi), (False, 1 / math.pi)):
        times_s = np.linspace(0.078, 0.08, 2001)[:-1]
        got = detector_volts(sine(1000, 1.0, 0.08), [Average(5e3, 1e-6)], times_s, full_wave=full_wave)[0]
        assert got.mean() == pytest.approx(mean, abs=2e-6)


def test_peak_detector_charges_by_its_closed_form_and_falls_8_686_db_per_time_constant() -> None:
    # While it conducts, attack and release resistor are one source of Ra∥Rr with gain Rr/(Ra + Rr).
    part, f = Peak(1e3, 1e-6, 20e3), 50.0
    gain = 20 / 21
    tau_s = 1e3 * gain * 1e-6
    times_s = np.linspace(0, 0.004, 40)  # drive still above the capacitor
    wave = Formula(lambda t: math.sin(TURN * f * t) if t < 0.01 else 0.0, 1.0, 0.06, f)
    got = detector_volts(wave, [part], times_s)[0]
    np.testing.assert_allclose(got, gain * driven_from_rest(times_s, TURN * f, tau_s), atol=1e-7)
    late = detector_volts(wave, [part], np.array([0.02, 0.04]))[0]
    assert 20 * math.log10(late[0] / late[1]) == pytest.approx(8.685890, abs=1e-4)


@pytest.mark.parametrize(
    ("full_wave", "ratio", "settled"),
    [(False, 0.01, 0.90354), (False, 0.1, 0.64546), (True, 0.01, 0.93764), (True, 0.1, 0.75180)],
)
def test_settles_where_the_large_capacitor_formula_says(
    full_wave: bool, ratio: float, settled: float
) -> None:
    # Radio textbooks: tan θ − θ = π·Rs/RL (half wave), half of that (full wave); Vdc = Vp·cos θ.
    share = math.pi * ratio / (2 if full_wave else 1)
    theta = brentq(lambda x: math.tan(x) - x - share, 0, 1.57)
    assert math.cos(theta) == pytest.approx(settled, abs=6e-6)
    release_ohm, f = 100e3, 1000.0
    hold_farad = 1000 / (TURN * f * release_ohm)  # ωCR = 1000
    part = Peak(ratio * release_ohm, hold_farad, release_ohm)
    times_s = np.linspace(0.039, 0.04, 500)[:-1]
    got = detector_volts(
        sine(f, 1.0, 0.04), [part], times_s, full_wave=full_wave, start_v=settled, tolerance=1e-8
    )
    assert got[0].mean() == pytest.approx(settled, abs=5e-4)


def test_front_end_follows_its_transfer_function() -> None:
    f = 700.0
    duration_s = 0.06  # 20 time constants and more of the slowest corner
    times_s = np.linspace(duration_s - 2 / f, duration_s, 101)[:-1]
    got, _ = chain_volts(sine(f, 1.0, duration_s), FRONT, [Average(1e3, 1e-6)], times_s)
    s = 1j * f
    h = FRONT.sensitivity_v_pa * s / (s + 120) / (1 + s / 14e3) * s / (s + 90)
    # amplifier 3 MHz/s, closed by the leg's divider
    h *= 1 / ((s + 150) / (48 * s + 150) + s / 3e6)
    expected = np.imag(h * np.exp(1j * TURN * f * times_s)) + 0.01
    np.testing.assert_allclose(got, expected, atol=1e-6)


def test_output_stops_at_the_swing_and_pressure_at_the_overload_point() -> None:
    times_s = np.linspace(0.01, 0.02, 500)[:-1]
    loud, _ = chain_volts(sine(700, 10.0, 0.02), FRONT, [Average(1e3, 1e-6)], times_s)
    assert (loud.min(), loud.max()) == (-1.5, 1.6)
    louder, loudest = (
        chain_volts(sine(700, peak, 0.02), FRONT, [Average(1e3, 1e-6)], times_s)[1] for peak in (3e3, 3e5)
    )
    # far beyond the overload point both are the same square wave
    np.testing.assert_allclose(louder, loudest, rtol=2e-2)


def test_halving_the_tolerance_changes_nothing_above_1e_5() -> None:
    rng = np.random.default_rng(2)
    noise = 4 * rng.standard_normal(960) * np.hanning(960)  # as Pa it drives FRONT into its limits
    parts = [Peak(100.0, 1e-6, 20e3), Peak(5e3, 1e-6, 1e6), Average(2e3, 1e-6)]
    times_s = np.linspace(0, 0.02, 2000)[:-1]
    for wave in (Wave(noise, 48_000), sine(10e3, 1.0, 0.01)):
        times = times_s[times_s < wave.duration_s]
        first, second = (detector_volts(wave, parts, times, tolerance=t) for t in (TOLERANCE, TOLERANCE / 2))
        assert np.abs(first - second).max(axis=1) == pytest.approx(0.0, abs=1e-5 * first.max(axis=1).min())
        front = [chain_volts(wave, FRONT, parts, times, tolerance=t) for t in (TOLERANCE, TOLERANCE / 2)]
        for a, b in zip(front[0], front[1], strict=True):
            assert np.abs(a - b).max() < 1e-5 * np.abs(a).max()


def test_steps_that_pass_over_the_conduction_are_noticed() -> None:
    # The same wave with steps allowed of half its cycle and more: the halved tolerance then moves the result.
    blind = Formula(lambda t: math.sin(TURN * 10e3 * t), 1.0, 0.02, 100.0)
    parts, times_s = [Peak(100.0, 1e-6, 20e3)], np.linspace(0, 0.02, 500)[:-1]
    seen = detector_volts(sine(10e3, 1.0, 0.02), parts, times_s)
    missed = [detector_volts(blind, parts, times_s, tolerance=t) for t in (1e-7, 5e-8)]
    assert np.abs(missed[0] - seen).max() > 1e-3
    assert np.abs(missed[0] - missed[1]).max() > 1e-3
