"""A clip is one recording for as long as it is used, whatever happens to its file."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from envlab.errors import FileError, ParameterError
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.signals import tone
from envlab.sound.stream import SoundStream, open_sound


def write(path: Path, frequency_hz: float, seconds: float = 0.5) -> Path:
    soundfile.write(path, tone(frequency_hz, 0.4, seconds, 8_000), 8_000)
    return path


@pytest.fixture
def song(tmp_path: Path) -> Path:
    return write(tmp_path / "song.wav", 300.0)


CALLS = (Clip.recording, Clip.sound, Clip.digest)


@pytest.mark.parametrize("again", CALLS)
@pytest.mark.parametrize("first", CALLS)
def test_a_file_that_was_replaced_is_refused_in_one_line(song: Path, first, again) -> None:
    clip = Clip(song, 90.0)
    first(clip)
    write(song, 400.0)
    with pytest.raises(FileError) as caught:
        again(clip)
    assert str(caught.value) == f"{song}: was changed while it was in use; run it again, on one recording"


def test_so_is_one_of_the_same_size_and_date(song: Path) -> None:
    clip = Clip(song, 90.0)
    clip.recording()
    known = song.stat()
    write(song, 400.0)
    os.utime(song, ns=(known.st_atime_ns, known.st_mtime_ns))
    assert song.stat().st_size == known.st_size
    with pytest.raises(FileError, match="was changed while it was in use"):
        clip.sound()


def test_the_same_recording_written_anew_is_the_same(song: Path, tmp_path: Path) -> None:
    clip = Clip(song, 90.0)
    before = clip.recording()
    shutil.copyfile(song, tmp_path / "copy.wav")
    (tmp_path / "copy.wav").replace(song)
    os.utime(song)
    assert np.array_equal(clip.recording().pressure_pa, before.pressure_pa)


def test_a_change_while_a_long_file_is_played_is_said_too(song: Path) -> None:
    stream = open_sound(song, 90.0, held_s=0.1)
    assert isinstance(stream, SoundStream)
    pieces = stream.pieces()
    next(pieces)
    write(song, 400.0)
    with pytest.raises(FileError, match="was changed while it was in use"):
        list(pieces)


def test_a_clip_made_anew_takes_the_file_as_it_is(song: Path) -> None:
    first = Clip(song, 90.0).digest()
    write(song, 400.0)
    assert Clip(song, 90.0).digest() != first


def test_a_file_that_vanished(song: Path) -> None:
    clip = Clip(song, 90.0)
    clip.recording()
    song.unlink()
    with pytest.raises(FileError, match=r"song\.wav: no such file"):
        clip.recording()


def test_the_level_without_its_weighting() -> None:
    # IEC 61672-1:2013 [IEC61672-1], Table 3: 100 Hz counts 19.1 dB less with A, 0.3 dB less with C.
    hum = Recording(tone(100, 1.0, 4.0, 8_000), 8_000, "hum")
    for weighting, more in (("Z", 0.0), ("A", 19.1), ("C", 0.3)):
        assert Clip(hum, 70.0, (), weighting).unweighted_db_spl == pytest.approx(70 + more, abs=0.06)
    assert Clip(hum, 70.0, (), "C").label == "hum 70 dB(C)"


@pytest.mark.parametrize("value", [-0.1, 20.1, float("nan"), "much"])
def test_an_uncertainty_that_cannot_be(value) -> None:
    with pytest.raises(ParameterError, match="level_uncertainty_db is"):
        Clip("song.wav", 90.0, level_uncertainty_db=value)
