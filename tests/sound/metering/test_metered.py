"""A level out of a recording and a meter's reading; and whether it is as sure as it says."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal as sig

from envlab.errors import ParameterError
from envlab.sound.level import POLES_HZ, leq_db_spl
from envlab.sound.metering.metered import METERS, RECORDER_DB, MeterReading, metered_level
from envlab.sound.recording import Recording
from envlab.sound.signals import pink_noise, tone

RATE_HZ = 16_000.0


def music(rng: np.random.Generator, seconds: float = 20.0) -> np.ndarray:
    """Noise with beats on it, louder in the second half; Pa."""
    noise = pink_noise(0.2, seconds, RATE_HZ, rng)
    time_s = np.arange(noise.size) / RATE_HZ
    beats = 0.3 + np.exp(-8 * (time_s % 0.5))
    return noise * beats * (1 + (time_s > seconds / 2))


def a_weighted_leq(pressure_pa: np.ndarray) -> float:
    """Level with A by multiplying the spectrum with scipy's response of the standard's poles."""
    f1, f2, f3, f4 = 2 * np.pi * np.array(POLES_HZ)
    spectrum = np.fft.rfft(pressure_pa)
    poles = [-f1, -f1, -f2, -f3, -f4, -f4]
    radians = 2 * np.pi * np.fft.rfftfreq(pressure_pa.size, 1 / RATE_HZ)
    response = sig.freqs_zpk([0] * 4, poles, f4**2, np.append(radians, 2 * np.pi * 1000))[1]
    weighted = spectrum * response[:-1] / abs(response[-1])
    return 10 * math.log10(2 * np.sum(np.abs(weighted) ** 2) / pressure_pa.size**2 / 4e-10)


def test_the_level_follows_from_the_reading() -> None:
    true_pa = music(np.random.default_rng(1))
    true_db = leq_db_spl(true_pa, RATE_HZ)
    stretch = true_pa[int(4 * RATE_HZ) : int(9 * RATE_HZ)]
    recorder = Recording(0.01 * true_pa + 0.003, RATE_HZ)
    without_offset = Recording(recorder.pressure_pa - recorder.pressure_pa.mean(), RATE_HZ)
    found = metered_level(without_offset, MeterReading(a_weighted_leq(stretch), 4.0, 9.0))
    assert found.level_db_spl == pytest.approx(true_db, abs=0.02)
    assert found.a_db_spl == pytest.approx(a_weighted_leq(true_pa), abs=0.02)


def test_a_stretch_in_another_recording_of_the_same_recorder() -> None:
    calibrator = Recording(0.05 * tone(1000, math.sqrt(2), 10.0, RATE_HZ), RATE_HZ)
    song_pa = music(np.random.default_rng(2))
    song = Recording(0.05 * (song_pa - song_pa.mean()), RATE_HZ)
    reading = MeterReading(93.98, 2.0, 8.0, meter="calibrator")
    # The tone has 1 Pa, 93.98 dB SPL.
    found = metered_level(song, reading, calibrator)
    assert found.level_db_spl == pytest.approx(leq_db_spl(song_pa, RATE_HZ), abs=0.01)


def test_terms_add_as_squares_and_each_is_what_it_says() -> None:
    hum = Recording(tone(100, 1.0, 20.0, RATE_HZ), RATE_HZ)
    found = metered_level(hum, MeterReading(80.0, 4.0, 9.0, meter="class 1", step_db=1.0))
    terms = {term.name: term.standard_db for term in found.terms}
    # [GUM2008], 4.3.7: a uniform ±a has standard uncertainty a/√3.
    assert terms["meter"] == pytest.approx(1 / math.sqrt(3))
    assert terms["reading"] == pytest.approx(0.5 / math.sqrt(3))
    assert terms["display"] == 0
    # Whatever the recorder does to 100 Hz it does to the clip and to what the meter heard alike.
    assert terms["recorder's bass"] == pytest.approx(0, abs=1e-3)
    assert found.standard_db == pytest.approx(math.sqrt(sum(one**2 for one in terms.values())))
    assert found.expanded_db == 2 * found.standard_db


def test_a_meter_that_hears_no_bass_leaves_the_bass_in_doubt() -> None:
    # Half of the power at 100 Hz, unweighted; with A 1.2 %. ±3 dB of bass is up to 10 lg(2) at most.
    both = Recording(tone(100, 1.0, 20.0, RATE_HZ) + tone(1000, 1.0, 20.0, RATE_HZ), RATE_HZ)
    with_a = metered_level(both, MeterReading(80.0, 4.0, 9.0)).of("recorder's bass")
    with_z = metered_level(both, MeterReading(80.0, 4.0, 9.0, "Z")).of("recorder's bass")
    assert with_z == pytest.approx(0, abs=0.01)
    up = 10 * math.log10(0.5 + 0.5 * 10 ** (RECORDER_DB / 10))
    assert with_a == pytest.approx(up / math.sqrt(3), abs=0.05)


@pytest.mark.parametrize(
    ("reading", "weighting"),
    [
        ("Leq", "A"),
        pytest.param("S", "C", marks=pytest.mark.slow),
        pytest.param("Fmax", "A", marks=pytest.mark.slow),
    ],
)
def test_the_true_level_lies_within_what_is_said_19_times_in_20(reading: str, weighting: str) -> None:
    # Meters off within their class, rounded displays, recorders whose bass and treble are off, all drawn.
    rng = np.random.default_rng(7)
    true_pa = music(rng)
    true_pa -= true_pa.mean()
    true_db = leq_db_spl(true_pa, RATE_HZ)
    perfect = metered_level(Recording(true_pa, RATE_HZ), MeterReading(80.0, 4.0, 12.0, weighting, reading))
    shows_db = 80.0 + true_db - perfect.level_db_spl
    frequency_hz = np.fft.rfftfreq(true_pa.size, 1 / RATE_HZ)
    spectrum = np.fft.rfft(true_pa)
    inside, tries = 0, 60
    for _ in range(tries):
        bass, treble = 10 ** (rng.uniform(-RECORDER_DB, RECORDER_DB, 2) / 20)
        response = np.where(frequency_hz < 200, bass, np.where(frequency_hz > 4000, treble, 1.0))
        recorded = np.fft.irfft(spectrum * response, true_pa.size) * 10 ** rng.uniform(-3, 0)
        off = rng.uniform(-METERS["class 2"], METERS["class 2"])
        shown = round(shows_db + off)
        ends = rng.uniform(-0.5, 0.5, 2)
        asked = MeterReading(shown, 4.0 + ends[0], 12.0 + ends[1], weighting, reading, "class 2", 1.0)
        found = metered_level(Recording(recorded, RATE_HZ), asked)
        inside += abs(found.level_db_spl - true_db) <= found.expanded_db
    # 19 in 20 of 60 is 57; fewer than 53 would happen by chance once in a hundred tries.
    assert inside >= 53
    # And the interval is no empty promise: it is a few decibels wide.
    assert found.expanded_db < 6


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"shown_db_spl": 200.0}, "shown_db_spl is 200.0"),
        ({"from_s": -1.0}, "from_s is -1.0; it must be at least 0 s"),
        ({"to_s": 4.2}, "to_s is 4.2; it must be from 0.5 to 3600 s after from_s, 4 s"),
        ({"weighting": "B"}, "weighting is 'B'"),
        ({"reading": "I"}, "reading is 'I'"),
        ({"meter": "good"}, "meter is 'good'; it must be one of class 1, class 2, phone, calibrator"),
        ({"step_db": 0.0}, "step_db is 0.0"),
    ],
)
def test_bad_readings(values: dict[str, object], says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        MeterReading(**({"shown_db_spl": 80.0, "from_s": 4.0, "to_s": 9.0} | values))


def test_stretches_that_cannot_be() -> None:
    quiet = np.concatenate((np.zeros(80_000), tone(500, 1.0, 2.0, RATE_HZ)))
    with pytest.raises(
        ParameterError, match=r"to_s is 9\.0; it must be within the recording, which lasts 7 s"
    ):
        metered_level(Recording(quiet, RATE_HZ), MeterReading(80.0, 4.0, 9.0))
    with pytest.raises(ParameterError, match="a stretch in which something sounds"):
        metered_level(Recording(quiet, RATE_HZ), MeterReading(80.0, 1.0, 3.0))
