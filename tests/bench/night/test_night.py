"""A song logged by a board in continuous time, and the stage that explains what is off."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from bench.invented import bench, drawn
from reference.invented_board import counts_of, fine_wave

import envlab
from envlab.bench.captures.capture import Capture
from envlab.bench.night.night import night_after
from envlab.errors import EnvlabError, ParameterError
from envlab.shipped import shipped_folder

RATE_HZ, SECONDS = 48_000.0, 9.0


@lru_cache
def song() -> np.ndarray:
    """Nine seconds of drums at the level of the street, Pa."""
    recording = envlab.read_recording(shipped_folder("audio_samples") / "drum_line.flac", 92.0)
    assert recording.sample_rate_hz == RATE_HZ
    return recording.pressure_pa[: int(SECONDS * RATE_HZ)]


def logged(seed: int, **off: float) -> Capture:
    """What a board with something off logs of the song, from 1.3 s before it on."""
    rng = np.random.default_rng([2026, 15, 8, seed])
    checker, _ = bench("acoustic", 10)
    heard = checker.chain.microphone.sensitivity_v_pa
    board = drawn("acoustic", 10, rng)
    board = replace(board, sensitivity=heard, dead_v=0.0, delay_s=1.3, clock=0.011, offset_lsb=1.5)
    board = replace(board, **{name: value * getattr(board, name) if name.endswith("_ohm") else value
                              for name, value in off.items()})  # fmt: skip
    counts = counts_of(board, fine_wave(song()), RATE_HZ, rng)
    return Capture("adc_counts", np.arange(counts.size) / 1000.0, counts, "night.log")


def phone(gain: np.ndarray | float = 0.1) -> envlab.Recording:
    """The song as a phone kept it, its level unknown, its beginning missed."""
    begin = int(0.7 * RATE_HZ)
    return envlab.Recording((song() * gain)[begin:], RATE_HZ, name="phone")


def test_a_board_as_designed_leaves_nothing_to_explain():
    found = night_after(bench("acoustic", 10)[0].chain, phone(), logged(1, offset_lsb=0.5))
    assert found.explained_by == "design", found.words
    assert found.residual_db < -26
    # The recording begins 0.7 s into the song, which begins 1.3 s into the log.
    assert found.alignment.delay_s == pytest.approx(2.0, abs=5e-3)
    assert found.alignment.clock == pytest.approx(0.011, abs=5e-4)
    assert found.louder_db == pytest.approx(20.0, abs=1.0)
    assert "did what its design says" in found.words[-1]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("off", "stage"),
    [
        ({"release_ohm": 3.0}, "detector"),
        ({"attack_ohm": 6.0}, "detector"),
        ({"swing_up_v": 0.15, "swing_down_v": 0.15}, "preamp"),
        ({"dead_v": 0.08}, "rectifier"),
        ({"offset_lsb": 40.0}, "converter"),
    ],
)
def test_the_stage_that_is_off_explains_it(off, stage):
    found = night_after(bench("acoustic", 10)[0].chain, phone(), logged(2, **off))
    assert found.explained_by == stage, (found.words, [(e.stage, e.score) for e in found.explanations])


def test_a_phones_own_gain_is_told_from_the_board():
    fades = np.interp(np.arange(song().size) / RATE_HZ, [0, 4, 4.5, 9], [0.3, 0.3, 0.07, 0.1])
    found = night_after(bench("acoustic", 10)[0].chain, phone(fades), logged(3, offset_lsb=0.5))
    assert found.explained_by == "recording", (found.words, [(e.stage, e.score) for e in found.explanations])


def test_another_song_is_refused():
    rng = np.random.default_rng(4)
    walk = envlab.read_recording(shipped_folder("audio_samples") / "voices_bells.flac", 80.0)
    with pytest.raises(EnvlabError, match="does not resemble the recording"):
        night_after(bench("acoustic", 10)[0].chain, walk, logged(5))
    noise = Capture("adc_counts", np.arange(20_000) / 1000, np.floor(50 + 3 * rng.standard_normal(20_000)))
    with pytest.raises(EnvlabError, match="does not resemble"):
        night_after(bench("acoustic", 10)[0].chain, phone(), noise)


def test_what_is_too_short_or_too_long_is_refused():
    chain = bench("acoustic", 10)[0].chain
    with pytest.raises(EnvlabError, match="5 s at least are wanted"):
        night_after(chain, envlab.Recording(song()[: 3 * 48_000], RATE_HZ), logged(6))
    with pytest.raises(ParameterError, match="at most 180 s; cut out the moment"):
        night_after(chain, envlab.Recording(np.zeros(200 * 8000), 8000.0), logged(6))
    volts = replace(logged(6), node="detector_v")
    with pytest.raises(EnvlabError, match="a log of counts is wanted"):
        night_after(chain, phone(), volts)
