"""Recordings: formats, rates, channels, levels, and every kind of bad file."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import soundfile

from envlab.errors import EnvlabWarning, FileError, ParameterError
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import Recording, read_recording
from envlab.sound.signals import pink_noise, tone

FORMATS = {
    "wav": "PCM_16", "float.wav": "FLOAT", "24.wav": "PCM_24", "flac": "PCM_16", "ogg": "VORBIS",
    "mp3": "MPEG_LAYER_III",
}  # fmt: skip


def write(path: Path, samples: np.ndarray, rate_hz: int = 48_000) -> Path:
    kind = FORMATS[path.name.partition(".")[2]]
    soundfile.write(path, samples, rate_hz, subtype=kind)
    return path


def chirp(rate_hz: int = 48_000, duration_s: float = 0.5) -> np.ndarray:
    t = np.arange(int(duration_s * rate_hz)) / rate_hz
    return 0.4 * np.sin(2 * np.pi * (300 * t + 800 * t * t)) * np.hanning(t.size)


@pytest.mark.parametrize("ending", FORMATS)
def test_every_format_reads_back_at_its_level(tmp_path: Path, ending: str) -> None:
    recording = read_recording(write(tmp_path / f"clip.{ending}", chirp()), 88.0)
    assert recording.sample_rate_hz == 48_000
    assert recording.name == f"clip.{ending}"
    assert recording.notes == ()
    assert leq_db_spl(recording.pressure_pa, 48_000) == pytest.approx(88.0, abs=1e-9)
    wanted = Recording(chirp(), 48_000).at_level(88.0).pressure_pa
    # lossy coders keep the wave of a lone soft chirp within 3 %; the others within their rounding
    limit = 0.03 if ending in ("ogg", "mp3") else 2e-4
    latency = int(np.argmax(np.correlate(recording.pressure_pa, wanted, "full"))) - wanted.size + 1
    assert latency == 0
    got = recording.pressure_pa[: wanted.size]
    assert np.abs(got - wanted).max() < limit * np.abs(wanted).max()


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 44_100, 88_200, 96_000, 176_400, 192_000])
def test_every_rate(tmp_path: Path, rate_hz: int) -> None:
    path = write(tmp_path / "clip.flac", tone(1000, 0.5, 0.25, rate_hz), rate_hz)
    recording = read_recording(path, 94.0)
    assert recording.sample_rate_hz == rate_hz
    assert recording.duration_s == pytest.approx(0.25, abs=1 / rate_hz)
    # 94 dB SPL is 1.00237 Pa rms, √2 times that at the peak of a sine
    assert recording.pressure_pa.max() == pytest.approx(1.00237 * math.sqrt(2), rel=2e-3)


def test_channels_are_mixed_to_their_mean_and_the_notes_say_so(tmp_path: Path) -> None:
    left, right = tone(500, 0.5, 0.5, 48_000), tone(1500, 0.25, 0.5, 48_000)
    path = write(tmp_path / "clip.float.wav", np.column_stack([left, right, 0 * left]))
    recording = read_recording(path, 94.0)
    assert recording.notes == ("3 channels mixed to their mean",)
    expected = Recording((left + right) / 3, 48_000).at_level(94.0).pressure_pa
    np.testing.assert_allclose(recording.pressure_pa, expected, atol=1e-6)


def test_long_files_are_read_in_pieces_without_seams(tmp_path: Path) -> None:
    noise = pink_noise(0.1, 4.0, 48_000, np.random.default_rng(3))
    path = write(tmp_path / "clip.24.wav", noise)
    expected = Recording(noise, 48_000).at_level(94.0).pressure_pa
    np.testing.assert_allclose(read_recording(path, 94.0).pressure_pa, expected, atol=1e-5)


def test_level_is_set_with_or_without_weighting(tmp_path: Path) -> None:
    path = write(tmp_path / "clip.float.wav", tone(100, 0.5, 4.0, 48_000))
    weighted = read_recording(path, 80.0, weighting="A")
    # IEC 61672-1:2013, Table 3: 100 Hz counts −19.1 dB, so the tone must be 99.1 dB SPL to give 80 dB(A)
    assert leq_db_spl(weighted.pressure_pa, 48_000) == pytest.approx(99.1, abs=0.06)
    assert leq_db_spl(weighted.at_level(72.0).pressure_pa, 48_000) == pytest.approx(72.0, abs=1e-9)


def test_a_clip_that_only_swings_down_has_its_level_too() -> None:
    fallen = Recording(np.minimum(chirp(), 0.0), 48_000)
    with pytest.warns(EnvlabWarning, match="constant offset, "):
        at_level = fallen.at_level(72.0)
    assert leq_db_spl(at_level.pressure_pa, 48_000) == pytest.approx(72.0, abs=1e-9)


def test_at_level_leaves_the_original_alone() -> None:
    first = Recording(tone(1000, 0.1, 0.1, 48_000), 48_000, "here", ("noted",))
    second = first.at_level(120.0)
    assert first.pressure_pa.max() == pytest.approx(0.1)
    assert (second.name, second.notes, second.sample_rate_hz) == ("here", ("noted",), 48_000)
    # 120 dB SPL is 20 Pa rms: 20 µPa · 10^6
    assert second.pressure_pa.max() == pytest.approx(20 * math.sqrt(2), rel=1e-6)


@pytest.mark.parametrize("scale", [1e-300, 1e300])
def test_absurd_but_finite_sample_values_scale_like_others(scale: float) -> None:
    sine = tone(1000, 1.0, 0.1, 48_000)
    loud = Recording(sine * scale, 48_000).at_level(94.0)
    wanted = Recording(sine, 48_000).at_level(94.0).pressure_pa
    np.testing.assert_allclose(loud.pressure_pa, wanted, rtol=1e-12, atol=1e-15)


@pytest.mark.parametrize("value", [0.0, 0.25])
def test_silent_clip_warns_and_stays_silent(tmp_path: Path, value: float) -> None:
    path = write(tmp_path / "quiet.flac", np.full(4800, value))
    with pytest.warns(EnvlabWarning, match=r"quiet\.flac: silent clip"):
        recording = read_recording(path, 94.0)
    assert not recording.pressure_pa.any()
    assert recording.pressure_pa.size == 4800
    assert recording.notes == ("silent",)


def test_channels_that_cancel_are_silent(tmp_path: Path) -> None:
    wave = tone(500, 0.5, 0.1, 48_000)
    path = write(tmp_path / "clip.float.wav", np.column_stack([wave, -wave]))
    with pytest.warns(EnvlabWarning, match="silent clip"):
        assert not read_recording(path, 94.0).pressure_pa.any()


def test_clip_without_samples_warns_and_is_a_little_silence(tmp_path: Path) -> None:
    path = write(tmp_path / "none.wav", np.zeros(0))
    with pytest.warns(EnvlabWarning, match=r"none\.wav: no samples"):
        recording = read_recording(path, 94.0)
    assert recording.pressure_pa.tolist() == [0.0] * 4800
    assert recording.notes == ("no samples",)


def test_a_constant_offset_is_taken_out_of_level_and_sound_and_said(tmp_path: Path) -> None:
    wave = tone(500, 0.1, 0.5, 48_000)
    path = write(tmp_path / "off.float.wav", wave + 0.1)
    # offset² over offset² plus peak²/2 is 2/3
    with pytest.warns(
        EnvlabWarning, match=r"off\.float\.wav: a constant offset, 67 % of its power, taken out"
    ):
        recording = read_recording(path, 94.0)
    assert recording.notes == ("a constant offset, 67 % of its power, taken out",)
    np.testing.assert_allclose(
        recording.pressure_pa, Recording(wave, 48_000).at_level(94.0).pressure_pa, atol=1e-5
    )
    assert abs(recording.pressure_pa.mean()) < 1e-9


def test_a_small_offset_is_taken_out_without_a_word() -> None:
    wave = tone(500, 0.1, 0.5, 48_000)
    clean, off = (Recording(some, 48_000).at_level(94.0) for some in (wave, wave + 1e-3))
    np.testing.assert_allclose(off.pressure_pa, clean.pressure_pa, atol=1e-9)
    assert off.notes == ()


def bad_files(folder: Path) -> dict[str, tuple[Path, str]]:
    """Every bad file, and what must be said about it."""

    def saved(name: str, data: bytes) -> Path:
        (folder / name).write_bytes(data)
        return folder / name

    def whole(ending: str) -> bytes:
        return write(folder / f"whole.{ending}", chirp()).read_bytes()

    hurt = chirp()
    hurt[100] = math.nan
    endless = chirp()
    endless[7] = -math.inf
    cases = {
        "missing": (folder / "no.wav", "no such file"),
        "folder": (folder, "not a file"),
        "empty": (saved("empty.wav", b""), "empty"),
        "text": (saved("text.wav", b"not audio at all\n" * 50), "must be WAV, FLAC, OGG or MP3"),
        "text mp3": (saved("text.mp3", b"not audio at all\n" * 50), "must be WAV, FLAC, OGG or MP3"),
        "head only": (saved("head.wav", whole("wav")[:30]), "cut off"),
        "nan": (write(folder / "nan.float.wav", hurt), "sample 100 is nan; every sample must be a finite"),
        "inf": (write(folder / "inf.float.wav", endless), "sample 7 is -inf"),
        "slow": (write(folder / "slow.wav", chirp(), 7_999), "7999 Hz; it must be from 8000 to 192000 Hz"),
        "fast": (write(folder / "fast.wav", chirp(), 192_001), "192001 Hz; it must be"),
    }
    for ending in FORMATS:
        data = whole(ending)
        for part in (0.999, 0.7, 0.2):
            cut = saved(f"cut{part}.{ending}", data[: int(part * len(data))])
            cases[f"{part} of {ending}"] = (cut, "cut off")
    return cases


def test_each_bad_file_gets_one_line_that_names_it(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    for case, (path, says) in bad_files(tmp_path).items():
        with pytest.raises(FileError) as caught:
            read_recording(path, 94.0)
        text = str(caught.value)
        assert "\n" not in text, case
        assert str(path) in text, case
        assert says in text, (case, text)
    # and no decoder adds remarks of its own
    assert capfd.readouterr() == ("", "")


def test_unreadable_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "clip.wav", chirp())

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(FileError, match=r"clip\.wav: cannot be read \(Permission denied\)"):
        read_recording(path, 94.0)


@pytest.mark.parametrize(
    ("level", "weighting", "says"),
    [
        (192.0, "Z", "level_db_spl is 192.0; it must be from -40 to 191 dB SPL"),
        (math.nan, "Z", "level_db_spl is nan"),
        (94.0, "B", "weighting is 'B'; it must be one of Z, A, C"),
    ],
)
def test_bad_levels_are_refused_before_the_file_is_read(level: float, weighting: str, says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        read_recording("no file is needed.wav", level, weighting=weighting)
    with pytest.raises(ParameterError, match=says):
        Recording(np.ones(4), 48_000).at_level(level, weighting)


@pytest.mark.parametrize(
    ("samples", "rate_hz", "says"),
    [
        (np.ones(0), 48_000, "at least one sample"),
        (np.ones((4, 2)), 48_000, "one-dimensional"),
        (np.array([0.0, math.nan]), 48_000, r"pressure_pa\[1\] is nan; it must be a finite number"),
        (np.array([0.0, 1.0, -math.inf]), 48_000, r"pressure_pa\[2\] is -inf"),
        (np.ones(4), 7_999, "sample_rate_hz is 7999; it must be from 8000 to 192000 Hz"),
        (np.ones(4), math.inf, "sample_rate_hz is inf"),
    ],
)
def test_recording_refuses(samples: np.ndarray, rate_hz: float, says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        Recording(samples, rate_hz)


def test_whole_numbers_are_taken_as_pascal() -> None:
    assert Recording(np.array([1, -1]), 48_000).pressure_pa.dtype == np.float64
