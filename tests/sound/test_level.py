"""Levels and A weighting, held against IEC 61672-1:2013 and plain arithmetic."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import signal as sig

from envlab.errors import ParameterError
from envlab.shipped import shipped_folder
from envlab.sound import level
from envlab.sound.level import POLES_HZ, leq_db_spl, weighted_pa, weighting_db
from envlab.sound.recording import read_recording
from envlab.sound.signals import pink_noise, tone

TABLE_3 = np.loadtxt(
    Path(__file__).parents[1] / "published" / "iec_61672_1_2013_table_3.csv",
    delimiter=",",
    skiprows=4,
    unpack=True,
)


def test_94_db_spl_is_1_00237_pascal() -> None:
    # 20 µPa · 10^(94/20) = 1.00237 Pa; 1 Pa = 93.979 dB SPL (reference pressure of ISO 1683)
    sine = tone(1000, 1.00237 * math.sqrt(2), 1.0, 48_000)
    assert leq_db_spl(sine, 48_000) == pytest.approx(94.0, abs=1e-4)
    swinging = np.tile([1.0, -1.0], 50)
    assert leq_db_spl(swinging, 48_000) == pytest.approx(93.979, abs=5e-4)


def test_twice_the_pressure_is_6_02_db_and_half_the_time_is_3_01_db_less() -> None:
    # 20 lg 2 = 6.0206, 10 lg 2 = 3.0103 (arithmetic)
    sine = tone(1000, 1.0, 1.0, 48_000)
    steady = leq_db_spl(sine, 48_000)
    assert leq_db_spl(2 * sine, 48_000) - steady == pytest.approx(6.0206, abs=1e-4)
    assert leq_db_spl(np.r_[sine, 0 * sine], 48_000) - steady == pytest.approx(-3.0103, abs=1e-4)


def test_silence_is_minus_infinity() -> None:
    assert leq_db_spl(np.zeros(10), 48_000) == -math.inf
    assert leq_db_spl(np.zeros(10), 48_000, "A") == -math.inf


@pytest.mark.parametrize("weighting", ["Z", "A", "C"])
def test_a_constant_offset_counts_in_no_level(weighting: str) -> None:
    # 1 Pa of offset alone would read 94 dB; the tone has 74. What is left differs by rounding.
    sine = tone(500, 0.1 * math.sqrt(2), 1.0, 8_000)
    clean = leq_db_spl(sine, 8_000, weighting)
    assert leq_db_spl(sine + 1.0, 8_000, weighting) == pytest.approx(clean, abs=1e-9)
    assert leq_db_spl(np.full(1000, 0.7), 8_000, weighting) == -math.inf


def test_weightings_meet_table_3_to_its_rounding() -> None:
    n, nominal_hz, a_db, c_db = TABLE_3
    assert n.size == 34
    exact_hz = 1000 * 10 ** (n / 10)
    # 0.05 dB is half the last printed digit
    np.testing.assert_allclose(weighting_db(exact_hz, "A"), a_db, atol=0.0501)
    np.testing.assert_allclose(weighting_db(exact_hz, "C"), c_db, atol=0.0501)
    assert not weighting_db(exact_hz, "Z").any()
    # and at nominal frequencies it would not: the check can fail
    assert np.abs(weighting_db(nominal_hz, "A") - a_db).max() > 0.2
    assert np.abs(weighting_db(nominal_hz, "C") - c_db).max() > 0.1


def test_poles_follow_from_the_definition_of_the_c_weighting() -> None:
    # IEC 61672-1:2013, Annex E (formulas from memory; they give the published pole frequencies): the C
    # weighting is 3 dB down at 10^1.5 and 10^3.9 Hz re 1 kHz, the A weighting adds poles about 10^2.45 Hz.
    f_r, f_l, f_h, d = 1e3, 10**1.5, 10**3.9, math.sqrt(0.5)
    b = (f_r**2 + (f_l * f_h / f_r) ** 2 - d * (f_l**2 + f_h**2)) / (1 - d)
    c = (f_l * f_h) ** 2
    f1 = math.sqrt((-b - math.sqrt(b * b - 4 * c)) / 2)
    f4 = math.sqrt((-b + math.sqrt(b * b - 4 * c)) / 2)
    f2, f3 = ((3 - s * math.sqrt(5)) / 2 * 10**2.45 for s in (1, -1))
    np.testing.assert_allclose(POLES_HZ, (f1, f2, f3, f4), rtol=1e-7)


@pytest.mark.parametrize("weighting", ["A", "C"])
@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 48_000, 192_000])
def test_filter_meets_the_analytic_curve_up_to_nyquist(rate_hz: int, weighting: str) -> None:
    # Steady tones; what is left of the filter's own settling after 0.4 s is below 1e-9.
    for frequency_hz in (31.5, 100, 1000, 2500, 0.45 * rate_hz, 0.49 * rate_hz):
        whole = weighted_pa(tone(frequency_hz, 1.0, 2.0, rate_hz), rate_hz, weighting)
        steady = whole[rate_hz // 2 : -rate_hz // 2]
        window = np.hanning(steady.size)
        rms = math.sqrt(np.sum((steady * window) ** 2) / np.sum(window**2))
        gain_db = 20 * math.log10(rms * math.sqrt(2))
        expected_db = weighting_db(frequency_hz, weighting)
        assert gain_db == pytest.approx(expected_db, abs=0.002), (rate_hz, frequency_hz)


@pytest.mark.parametrize("weighting", ["A", "C"])
def test_filter_follows_the_analog_network_in_time(weighting: str) -> None:
    # A smooth burst, band-limited well under Nyquist, through the analog transfer function in state space
    # (scipy.signal.lsim, exact for straight lines between points 64 times as dense).
    rate_hz, dense = 8_000, 64
    t = np.arange(int(0.3 * rate_hz * dense)) / (rate_hz * dense)
    burst = np.exp(-(((t - 0.1) / 0.012) ** 2)) * np.sin(2 * np.pi * 700 * t)
    f1, f2, f3, f4 = 2 * np.pi * np.array(POLES_HZ)
    poles = [-f1, -f1, -f4, -f4] + ([-f2, -f3] if weighting == "A" else [])
    network = sig.ZerosPolesGain([0] * (len(poles) - 2), poles, f4**2)
    gain_1khz = abs(network.to_tf().freqresp([2 * np.pi * 1000])[1][0])
    expected = sig.lsim(network, burst, t)[1][::dense] / gain_1khz
    got = weighted_pa(burst[::dense], rate_hz, weighting)
    assert np.abs(got - expected).max() < 1e-4 * np.abs(expected).max()


def test_levels_of_two_tones_add_by_energy() -> None:
    # 1 kHz at 94 dB counts 94 dB(A); 10^(20/10) = 100 Hz at 94 dB counts 94 − 19.1 = 74.9 dB(A) (Table 3);
    # their sum is 94 + 10 lg(1 + 10^(−1.91)) = 94.05 dB(A) and 97.01 dB unweighted.
    both = tone(1000, 1.0, 4.0, 48_000) + tone(100, 1.0, 4.0, 48_000)
    both *= 1.00237 * math.sqrt(2)
    assert leq_db_spl(both, 48_000) == pytest.approx(97.0103, abs=1e-3)
    assert leq_db_spl(both, 48_000, "A") == pytest.approx(94.053, abs=0.01)
    alone = tone(100, 1.00237 * math.sqrt(2), 4.0, 48_000)
    assert leq_db_spl(alone, 48_000, "A") == pytest.approx(94 - 19.1, abs=0.06)


def test_long_clips_are_weighted_in_stretches_without_seams(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    # Mostly bass, where a seam would show most; it begins and ends softly.
    noise = np.cumsum(rng.standard_normal(60_000)) * np.hanning(60_000)
    whole = weighted_pa(noise, 8_000, "A")
    monkeypatch.setattr(level, "_STRETCH", 1)
    in_stretches = weighted_pa(noise, 8_000, "A")
    assert np.abs(in_stretches - whole).max() < 1e-6 * np.abs(whole).max()


def test_the_weighting_agrees_with_digital_filters_of_a_general_library() -> None:
    # scipy's bilinear filters out of the same poles, at 384 kHz, where their warping is small in the band;
    # pink noise has as much bass as treble. The levels agree within 0.01 dB.
    rate_hz = 384_000
    noise = pink_noise(1.0, 4.0, rate_hz, np.random.default_rng(8))
    f1, f2, f3, f4 = 2 * np.pi * np.array(POLES_HZ)
    for weighting, more in (("A", [-f2, -f3]), ("C", [])):
        poles = [-f1, -f1, -f4, -f4, *more]
        gain = 1 / abs(sig.freqs_zpk([0] * (len(poles) - 2), poles, 1.0, [2 * np.pi * 1000])[1][0])
        digital = sig.bilinear_zpk([0] * (len(poles) - 2), poles, gain, rate_hz)
        wanted = sig.sosfilt(sig.zpk2sos(*digital), noise - noise.mean())
        expected_db = 20 * math.log10(math.sqrt(np.mean(wanted**2)) / 20e-6)
        assert leq_db_spl(noise, rate_hz, weighting) == pytest.approx(expected_db, abs=0.01)


def test_the_parades_drum_line_at_92_db_reads_82_4_on_a_meter_set_to_a() -> None:
    # The number that README and help give; computed here with scipy's filter instead of ours.
    line = read_recording(shipped_folder("audio_samples") / "drum_line.flac", 92.0)
    rate_hz = line.sample_rate_hz
    f1, f2, f3, f4 = 2 * np.pi * np.array(POLES_HZ)
    spectrum = np.fft.rfft(line.pressure_pa)
    s = 2j * np.pi * np.fft.rfftfreq(line.samples, 1 / rate_hz)
    network = sig.freqs_zpk([0] * 4, [-f1, -f1, -f2, -f3, -f4, -f4], f4**2, np.abs(s[1:]))[1]
    at_1khz = abs(sig.freqs_zpk([0] * 4, [-f1, -f1, -f2, -f3, -f4, -f4], f4**2, [2 * np.pi * 1000])[1][0])
    power = 2 * np.sum(np.abs(spectrum[1:] * network / at_1khz) ** 2) / line.samples**2
    assert 10 * math.log10(power / 4e-10) == pytest.approx(82.4, abs=0.05)
    assert leq_db_spl(line.pressure_pa, rate_hz, "A") == pytest.approx(82.4, abs=0.05)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: leq_db_spl(np.ones(4), 48_000, "B"), "weighting is 'B'; it must be one of Z, A, C"),
        (lambda: leq_db_spl(np.ones(0), 48_000), "at least one sample"),
        (lambda: weighted_pa(np.ones((2, 4)), 48_000, "A"), "one-dimensional"),
        (lambda: weighted_pa(np.ones(4), 0.0, "A"), "sample_rate_hz is 0.0; it must be above 0 Hz"),
        (lambda: weighting_db(-1.0, "A"), "at least 0 Hz"),
        (lambda: weighting_db(1.0, "D"), "weighting is 'D'"),
    ],
)
def test_bad_input(call: Callable[[], object], says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        call()
