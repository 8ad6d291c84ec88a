"""Recordings to listen to, and files that the page sends."""

from __future__ import annotations

import io
import tracemalloc
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from envlab.errors import EnvlabError, EnvlabWarning, FileError, ParameterError
from envlab.sound.clip import Clip
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import Recording, read_recording
from envlab.study.listening.listening import LONGEST_S
from envlab.widget.audition.clips import UPLOAD_MOST_BYTES, clip_of, clips_of, free_label, uploaded_clip

RATE_HZ = 16_000
WAVE = 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE_HZ) / RATE_HZ)


def file_bytes(wave: np.ndarray, kind: str, rate_hz: int = RATE_HZ) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, wave, rate_hz, format=kind)
    return file.getvalue()


@pytest.mark.parametrize("kind", ["WAV", "FLAC", "OGG", "MP3"])
def test_a_file_comes_in_at_the_level_that_is_said(kind):
    clip = uploaded_clip(f"my song.{kind.lower()}", 85, file_bytes(WAVE, kind))
    recording = clip.recording
    assert clip.level_db_spl == 85.0
    assert leq_db_spl(recording.pressure_pa, recording.sample_rate_hz) == pytest.approx(85.0, abs=0.01)
    assert clip.label == "my song 85 dB"
    assert recording.duration_s == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("notes.txt", b"shopping list\n" * 20, "notes.txt: not a sound file"),
        ("empty.wav", b"", "empty.wav: the file is empty"),
        ("cut.flac", file_bytes(WAVE, "FLAC")[:900], "cut.flac: "),
        ("../../etc/cut.wav", file_bytes(WAVE, "WAV")[:3000], "cut.wav: the WAV file is cut off"),
        ("C:\\music\\x.wav", b"RIFF", "x.wav: "),
    ],
)
def test_a_bad_file_is_said_in_one_line_by_its_own_name(name, content, words):
    with pytest.raises(FileError) as told:
        uploaded_clip(name, 85, content)
    text = str(told.value)
    assert text.startswith(words)
    assert "\n" not in text
    assert "tmp" not in text.lower()


@pytest.mark.parametrize("level", [29.0, 131.0, float("nan"), "loud", None, True])
def test_a_level_that_nobody_plays_at_is_refused(level):
    with pytest.raises(ParameterError, match="level_db_spl"):
        uploaded_clip("a.wav", level, file_bytes(WAVE, "WAV"))


def test_a_file_that_is_too_big_is_refused_before_it_is_read():
    with pytest.raises(FileError, match=r"big\.wav: 9\.5 MB; it must be at most 9\.5 MB"):
        uploaded_clip("big.wav", 85, bytes(UPLOAD_MOST_BYTES + 1))


@pytest.mark.parametrize("name", [None, 3])
def test_a_file_without_a_name_is_refused(name):
    with pytest.raises(ParameterError, match="name"):
        uploaded_clip(name, 85, b"")


def test_what_was_done_to_a_file_is_told():
    both = np.stack([WAVE, WAVE], axis=1)
    assert "2 channels mixed" in uploaded_clip("a.wav", 85, file_bytes(both, "WAV")).notes[0]
    with warnings.catch_warnings():
        warnings.simplefilter("error", EnvlabWarning)
        silent = uploaded_clip("a.wav", 85, file_bytes(0 * WAVE, "WAV"))
    assert "silent" in " ".join(silent.notes)


def test_a_long_song_is_cut_and_keeps_its_loudness():
    quiet_then_loud = np.concatenate((0.01 * np.tile(WAVE, 121), np.tile(WAVE, 4)))
    song = Recording(quiet_then_loud, float(RATE_HZ), "song").at_level(90.0)
    clip = clip_of(song)
    assert clip.recording.duration_s == LONGEST_S
    np.testing.assert_array_equal(clip.recording.pressure_pa, song.pressure_pa[: 120 * RATE_HZ])
    assert clip.level_db_spl < 70
    assert "lasts 125 s; its first 120 s are used" in clip.notes[0]


def test_of_a_long_file_no_more_is_held_than_is_heard(tmp_path):
    minutes = np.random.default_rng(2).normal(0, 0.1, 8_000)
    path = tmp_path / "night.flac"
    with soundfile.SoundFile(path, "w", 8_000, 1) as file:
        for second in range(1_200):
            file.write((0.1 + second / 1_200) * minutes)
    tracemalloc.start()
    clip = clip_of(Clip(path, 90.0))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    whole = read_recording(path, 90.0)
    np.testing.assert_array_equal(clip.recording.pressure_pa, whole.pressure_pa[: 120 * 8_000])
    assert "lasts 1200 s; its first 120 s are used" in clip.notes[0]
    # All of it would be 77 MB; what is heard is 7.7 MB, some pieces and its squares beside it.
    assert peak < 45e6


def test_another_loudness_is_the_same_wave_louder():
    clip = clip_of(Recording(WAVE, float(RATE_HZ), "tone").at_level(80.0))
    assert clip.at_level(80.0) is clip.recording
    # 6.0206 dB is a factor of 2: 20 lg 2
    louder = clip.at_level(80.0 + 20 * np.log10(2))
    np.testing.assert_allclose(louder.pressure_pa, 2 * clip.recording.pressure_pa, rtol=1e-12)


def test_one_or_many_with_names_that_tell(tmp_path):
    tone = Recording(WAVE, float(RATE_HZ), "tone").at_level(80.0)
    assert [clip.label for clip in clips_of(tone)] == ["tone"]
    assert [clip.label for clip in clips_of([tone, tone, replace(tone, name="")])] == [
        "tone",
        "tone (2)",
        "recording",
    ]
    path = tmp_path / "reed.wav"
    path.write_bytes(file_bytes(WAVE, "WAV"))
    clips = clips_of(iter([Clip(path, 72.0), tone]))
    assert [(clip.label, clip.level_db_spl) for clip in clips] == [("reed 72 dB", 72.0), ("tone", 80.0)]
    assert free_label("new", clips) == "new"


@pytest.mark.parametrize("bad", [[], ["song.wav"], [None]])
def test_anything_else_is_refused(bad):
    with pytest.raises(EnvlabError, match="recordings"):
        clips_of(bad)


@pytest.mark.parametrize("wrong", ["my song.flac", Path("my song.flac"), 92.0])
def test_what_is_no_recording_is_named_whole(wrong):
    with pytest.raises(ParameterError, match=rf"recordings is '{wrong}'; it must be a Recording \("):
        clips_of(wrong)
