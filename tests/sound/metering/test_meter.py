"""What a meter shows, against IEC 61672-1:2013 [IEC61672-1] and an independent computation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.sound.metering.bands import band_shares
from envlab.sound.metering.meter import shown_db_spl, time_weighted_db_spl
from envlab.sound.signals import pink_noise, tone

RATE_HZ = 48_000.0
# Table 4 of the standard, from a public transcription: bursts of 4 kHz, maximum re the steady level, dB.
F_BURSTS = {
    1.0: 0.0, 0.5: -0.1, 0.2: -1.0, 0.1: -2.6, 0.05: -4.8, 0.02: -8.3, 0.01: -11.1, 0.005: -14.1,
    0.002: -18.0, 0.001: -21.0, 0.0005: -24.0, 0.00025: -27.0,
}  # fmt: skip
S_BURSTS = {1.0: -2.0, 0.5: -4.1, 0.2: -7.4, 0.1: -10.2, 0.05: -13.1, 0.02: -17.0, 0.01: -20.0, 0.005: -23.0}


@pytest.mark.parametrize(("speed", "bursts"), [("F", F_BURSTS), ("S", S_BURSTS)])
def test_bursts_read_as_the_table_has_them(speed: str, bursts: dict[float, float]) -> None:
    steady_db = 20 * math.log10(1 / math.sqrt(2) / 20e-6)
    for burst_s, expected_db in bursts.items():
        burst = np.zeros(int(2 * RATE_HZ))
        on = round(burst_s * RATE_HZ)
        burst[1000 : 1000 + on] = np.sin(2 * np.pi * 4000 * np.arange(on) / RATE_HZ)
        shown = time_weighted_db_spl(burst, RATE_HZ, "Z", speed).max() - steady_db
        # Half of the last printed digit, and what a burst of one period at 48 kHz leaves open.
        assert shown == pytest.approx(expected_db, abs=0.1), burst_s


@pytest.mark.parametrize(("speed", "fall_db_s"), [("F", 34.7), ("S", 4.3)])
def test_the_display_falls_as_fast_as_the_standard_has_it(speed: str, fall_db_s: float) -> None:
    # 10 lg e over 0.125 s is 34.7 dB/s, over 1 s it is 4.3 dB/s (the standard's design goals).
    sound = np.concatenate((tone(1000, 1.0, 8.0, 8_000.0), np.zeros(8_000)))
    shown = time_weighted_db_spl(sound, 8_000.0, "Z", speed)
    assert shown[-7_000] - shown[-3_000] == pytest.approx(0.5 * fall_db_s, abs=0.05)


def test_what_is_read_off() -> None:
    # Half a second on, half a second off: Leq is 3.01 dB under the steady level; F climbs to 1 − e^−4 of it.
    on_off = tone(1000, math.sqrt(2), 20.0, 8_000.0) * (np.arange(160_000) % 8_000 < 4_000)
    assert shown_db_spl(on_off, 8_000.0, "A", "Leq") == (pytest.approx(93.98 - 3.01, abs=0.01), 0.0)
    top, still = shown_db_spl(on_off, 8_000.0, "A", "Fmax")
    assert top == pytest.approx(93.98 + 10 * math.log10(1 - math.exp(-4)), abs=0.03)
    assert still == 0.0
    slow, slow_moved = shown_db_spl(on_off, 8_000.0, "A", "S", 40_000)
    fast, fast_moved = shown_db_spl(on_off, 8_000.0, "A", "F", 40_000)
    assert slow == pytest.approx(91.0, abs=0.5)
    assert fast < slow + 3
    assert fast_moved > 4 * slow_moved > 0


def test_the_eye_takes_the_middle_of_a_display_that_moves() -> None:
    # A level that climbs evenly from 70 to 90 dB: its median is 80, half of 16 to 84 % is 0.34 of 20 dB.
    climb = tone(1000, 1.0, 20.0, 8_000.0) * 10 ** (np.linspace(70, 90, 160_000) / 20) * 20e-6 * math.sqrt(2)
    read, moved = shown_db_spl(climb, 8_000.0, "A", "F")
    # F lags 0.125 s behind, here 0.125 dB.
    assert read == pytest.approx(79.9, abs=0.1)
    assert moved == pytest.approx(6.8, abs=0.1)


def test_shares_of_bass_and_treble() -> None:
    # 1 Pa at 100 Hz and 1 Pa at 1 kHz: half of the power is bass; with A 10^−1.91 to 1 (Table 3: −19.1 dB).
    both = tone(100, 1.0, 8.0, RATE_HZ) + tone(1000, 1.0, 8.0, RATE_HZ)
    assert band_shares([both], RATE_HZ, "Z") == (pytest.approx(0.5, abs=0.01), pytest.approx(0, abs=1e-6))
    bass = 10**-1.91 / (1 + 10**-1.91)
    assert band_shares([both], RATE_HZ, "A")[0] == pytest.approx(bass, rel=0.05)
    # Pink noise has as much in every octave: from 4 to 24 kHz 2.58 of some 10.
    treble = band_shares([pink_noise(1.0, 20.0, RATE_HZ, np.random.default_rng(3))], RATE_HZ, "Z")[1]
    assert 0.2 < treble < 0.3
    assert band_shares([np.zeros(100)], RATE_HZ, "Z") == (0.0, 0.0)


def test_bad_input() -> None:
    with pytest.raises(ParameterError, match="speed is 'I'; it must be one of F, S"):
        time_weighted_db_spl(np.ones(4), 8_000.0, "A", "I")
    with pytest.raises(ParameterError, match="reading is 'peak'"):
        shown_db_spl(np.ones(4), 8_000.0, "A", "peak")
    with pytest.raises(ParameterError, match="longer than what is not looked at"):
        shown_db_spl(np.ones(4), 8_000.0, "A", "F", 4)
