"""A streamed file is the recording bit for bit, whatever the pieces, and is never held as a whole."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from envlab.errors import EnvlabWarning, FileError, ParameterError
from envlab.sound.decode import SoundFile, decoded, look_into
from envlab.sound.feed import Feed, regrouped, stretch
from envlab.sound.interpolate import interpolate, interpolated_pieces
from envlab.sound.level import leq_db_spl, mean_square
from envlab.sound.mpeg import mp3_length
from envlab.sound.recording import Recording, read_recording
from envlab.sound.stream import SoundStream, beginning, open_sound

FORMATS = {"wav": "PCM_24", "flac": "PCM_16", "ogg": "VORBIS", "mp3": "MPEG_LAYER_III"}


def swells(seconds: float, rate_hz: int, channels: int = 2) -> np.ndarray:
    rng = np.random.default_rng(11)
    n = round(seconds * rate_hz)
    swell = np.abs(np.sin(np.arange(n) * 3.0 / rate_hz))[:, np.newaxis]
    return 0.2 * swell * rng.standard_normal((n, channels)).clip(-4, 4)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sound")
    for ending, kind in FORMATS.items():
        soundfile.write(folder / f"clip.{ending}", swells(4.3, 44_100), 44_100, subtype=kind)
    return folder


@pytest.mark.parametrize("weighting", ["Z", "A"])
@pytest.mark.parametrize("ending", FORMATS)
def test_the_pieces_joined_are_the_recording(folder: Path, ending: str, weighting: str) -> None:
    path = folder / f"clip.{ending}"
    held = read_recording(path, 91.0, weighting=weighting)
    stream = open_sound(path, 91.0, weighting=weighting, held_s=1.0)
    assert isinstance(stream, SoundStream)
    for _ in range(2):
        assert np.array_equal(np.concatenate(list(stream.pieces())), held.pressure_pa)
    assert (stream.samples, stream.duration_s) == (held.samples, held.duration_s)
    assert (stream.name, stream.notes, stream.sample_rate_hz) == (held.name, held.notes, held.sample_rate_hz)
    assert np.array_equal(np.concatenate(list(held.pieces())), held.pressure_pa)


def test_a_short_file_is_held(folder: Path) -> None:
    assert isinstance(open_sound(folder / "clip.wav", 94.0), Recording)
    assert isinstance(open_sound(folder / "clip.wav", 94.0, held_s=4.2), SoundStream)


@pytest.mark.parametrize("weighting", ["Z", "A"])
@pytest.mark.parametrize("sizes", [(1,), (7, 65_536), (48_000,), (200_000, 3)])
def test_level_does_not_depend_on_the_pieces(weighting: str, sizes: tuple[int, ...]) -> None:
    # 30 s at 8 kHz: several stretches of the weighting, several of the sum.
    signal = swells(30.0, 8_000, 1)[:, 0] if sizes != (1,) else swells(1.0, 8_000, 1)[:, 0]
    signal -= signal.mean()
    edges = np.cumsum(np.resize(sizes, signal.size))
    pieces = np.split(signal, edges[edges < signal.size])
    streamed = mean_square(pieces, signal.size, 8_000.0, weighting)
    assert streamed == mean_square([signal], signal.size, 8_000.0, weighting)
    # 20 µPa squared is 4e-10 Pa², the reference of dB SPL (ISO 1683).
    assert 10 * np.log10(streamed / 4e-10) == pytest.approx(leq_db_spl(signal, 8_000.0, weighting), abs=1e-9)


@pytest.mark.parametrize("block", [64, 65_536, 640_000])
@pytest.mark.parametrize("size", [1_000, 14_000, 65_536])
def test_the_wave_between_does_not_depend_on_pieces_or_blocks(size: int, block: int) -> None:
    signal = swells(0.9, 48_000, 1)[:, 0]
    pieces = regrouped([signal], size)
    blocks = list(interpolated_pieces(pieces, signal.size, 48_000.0, block))
    assert [start for start, _ in blocks] == list(range(0, 8 * signal.size, block))
    assert np.array_equal(np.concatenate([samples for _, samples in blocks]), interpolate(signal, 48_000.0))


def test_portions_of_any_length() -> None:
    feed = Feed(np.split(np.arange(10.0), [3, 3, 4]))
    assert feed.take(0).size == 0
    assert feed.take(5).tolist() == [0, 1, 2, 3, 4]
    assert feed.take_padded(7).tolist() == [5, 6, 7, 8, 9, 0, 0]
    assert feed.take(1).size == 0
    assert stretch([np.arange(3.0), np.arange(3.0, 9.0)], 2, 5).tolist() == [2, 3, 4]
    assert stretch([np.arange(3.0)], 2, 5).tolist() == [2]
    assert stretch([np.arange(3.0)], 4, 5).size == 0
    assert [piece.tolist() for piece in regrouped([np.arange(5.0)], 2)] == [[0, 1], [2, 3], [4]]


def test_a_long_file_takes_no_more_memory_than_a_short_one(tmp_path: Path) -> None:
    # 40 s and 240 s at 8 kHz, as 64-bit floats 2.6 and 15 MB.
    peaks = []
    for seconds in (40, 240):
        path = tmp_path / f"{seconds}.flac"
        soundfile.write(path, swells(seconds, 8_000, 1), 8_000)
        tracemalloc.start()
        stream = open_sound(path, 90.0, held_s=1.0)
        for _ in interpolated_pieces(stream.pieces(), stream.samples, 8_000.0):
            pass
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 500_000


def test_silence_warns_and_stays_silent(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "quiet.flac", np.full(16_000, 0.25), 8_000)
    with pytest.warns(EnvlabWarning, match=r"quiet\.flac: silent clip"):
        stream = open_sound(tmp_path / "quiet.flac", 94.0, held_s=1.0)
    assert not np.concatenate(list(stream.pieces())).any()
    assert stream.notes == ("silent",)


def test_what_is_wrong_with_a_file_is_said(tmp_path: Path) -> None:
    hurt = swells(2.0, 8_000, 1)
    hurt[70_000 % hurt.size] = np.nan
    soundfile.write(tmp_path / "nan.wav", hurt, 8_000, subtype="FLOAT")
    with pytest.raises(
        FileError, match=r"nan\.wav: sample 6000 is nan; every sample must be a finite number"
    ):
        open_sound(tmp_path / "nan.wav", 94.0, held_s=1.0)
    with pytest.raises(FileError, match=r"gone\.wav: no such file"):
        open_sound(tmp_path / "gone.wav", 94.0)
    with pytest.raises(ParameterError, match=r"level_db_spl is 500"):
        open_sound(tmp_path / "gone.wav", 500.0)


def test_a_file_that_changes_while_it_is_in_use(tmp_path: Path) -> None:
    path = tmp_path / "clip.wav"
    soundfile.write(path, swells(2.0, 8_000, 1), 8_000)
    stream = open_sound(path, 94.0, held_s=1.0)
    soundfile.write(path, swells(1.5, 8_000, 1), 8_000)
    with pytest.raises(FileError, match=r"clip\.wav: was changed while it was in use"):
        next(stream.pieces())


def test_a_long_file_is_measured_once_and_again_when_it_is_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, reads, shares = tmp_path / "night.flac", list[Path](), list[float]()

    def counted(file: SoundFile) -> Iterator[np.ndarray]:
        reads.append(file.path)
        return decoded(file)

    monkeypatch.setattr("envlab.sound.stream.decoded", counted)
    soundfile.write(path, swells(9.0, 48_000, 1), 48_000)
    streams = [open_sound(path, level, held_s=1.0, progress=shares.append) for level in (90.0, 96.0, 90.0)]
    # Once for its extremes and once for its power; of a second one of seven pieces is told.
    assert len(reads) == 2
    assert len(shares) == 14
    assert shares == sorted(shares)
    assert shares[-1] == 1
    assert streams[0] == streams[2] != streams[1]
    open_sound(path, 90.0, weighting="A", held_s=1.0)
    assert len(reads) == 4
    pieces = [np.concatenate(list(stream.pieces())) for stream in streams]
    # 6 dB more, to the last digits.
    assert pieces[1] == pytest.approx(pieces[0] * 10 ** (6 / 20), rel=1e-12)
    reads.clear()
    soundfile.write(path, 0.5 * swells(9.0, 48_000, 1), 48_000)
    again = open_sound(path, 90.0, held_s=1.0)
    assert len(reads) == 2
    assert again != streams[0]


def test_the_largest_pressure_is_that_of_all_pieces(folder: Path) -> None:
    held, stream = (open_sound(folder / "clip.flac", 91.0, held_s=held_s) for held_s in (60.0, 1.0))
    assert (
        stream.largest_pa
        == held.largest_pa
        == np.abs(read_recording(folder / "clip.flac", 91.0).pressure_pa).max()
    )


@pytest.mark.parametrize("channels", [1, 2, 3, 5, 7, 8, 16])
def test_channels_are_mixed_to_their_mean(tmp_path: Path, channels: int) -> None:
    samples = np.random.default_rng(channels).uniform(-0.9, 0.9, (3000, channels))
    soundfile.write(tmp_path / "mix.wav", samples, 8_000, subtype="DOUBLE")
    pieces = list(decoded(look_into(tmp_path / "mix.wav")))
    assert np.array_equal(np.concatenate(pieces), samples.mean(axis=1))


def test_an_mp3_is_walked_through_and_not_held(tmp_path: Path) -> None:
    wave = np.random.default_rng(4).normal(0, 0.1, 60 * 48_000)
    soundfile.write(tmp_path / "short.mp3", wave, 48_000, subtype="MPEG_LAYER_III")
    once = (tmp_path / "short.mp3").read_bytes()
    (tmp_path / "long.mp3").write_bytes(12 * once)
    assert len(once) > 500_000
    peaks, samples = [], []
    for name in ("short.mp3", "long.mp3"):
        tracemalloc.start()
        samples.append(mp3_length(tmp_path / name).samples)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert samples[1] == 12 * samples[0]
    assert peaks[1] < peaks[0] + 100_000


@pytest.mark.parametrize("longest_s", [1e-6, 2.0, 9.0])
def test_the_beginning_is_that_of_the_whole_held_or_streamed(folder: Path, longest_s: float) -> None:
    held, stream = (open_sound(folder / "clip.flac", 91.0, held_s=held_s) for held_s in (60.0, 1.0))
    samples = max(1, min(round(longest_s * 44_100), held.samples))
    for sound in (held, stream):
        begun = beginning(sound, longest_s)
        assert np.array_equal(begun.pressure_pa, held.pressure_pa[:samples])
        assert (begun.name, begun.notes, begun.sample_rate_hz) == (held.name, held.notes, 44_100)
