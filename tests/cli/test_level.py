"""The verbs level and span as a maker types them, and what other verbs say of a clip's recorder."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

import envlab.cli
from envlab.shipped import shipped_folder
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import read_recording
from envlab.sound.signals import tone
from envlab.study.specification.specification import read_specification

DRUMS = shipped_folder("audio_samples") / "drum_line.flac"


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(envlab.cli.main, [str(word) for word in words])


def joined(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_level_that_it_finds_makes_the_clip_as_loud_as_the_meter_showed(bench: Path) -> None:
    done = run("level", DRUMS, "--shown", "82.4dBA", "--from", "2s", "--to", "10")
    assert done.exit_code == 0, done.output
    section = done.output[done.output.index("[[clips]]") : done.output.index("Flat tops")]
    (bench / "mine.toml").write_text(section, encoding="utf-8")
    (clip,) = read_specification(bench / "mine.toml").clips
    recording = clip.recording()
    rate_hz = recording.sample_rate_hz
    stretch = recording.pressure_pa[int(2 * rate_hz) : int(10 * rate_hz)]
    assert leq_db_spl(stretch, rate_hz, "A") == pytest.approx(82.4, abs=0.1)
    assert 2 < clip.level_uncertainty_db < 4


def test_every_cause_of_doubt_is_listed_and_they_add_up() -> None:
    done = run("level", DRUMS, "--shown", "82.4dBA", "--from", "2s", "--to", "10s", "--meter", "class 1")
    terms = [float(number) for number in re.findall(r"^ +(\d+\.\d\d)  ", done.output, re.MULTILINE)]
    assert len(terms) == 7
    assert np.sqrt(np.sum(np.square(terms[:-1]))) == pytest.approx(terms[-1], abs=0.02)
    expanded = float(re.findall(r"±(\d+\.\d) dB \(k", joined(done.output))[0])
    assert expanded == pytest.approx(2 * terms[-1], abs=0.07)


def test_a_display_that_jumps_too_much_gives_no_level() -> None:
    done = run("level", DRUMS, "--shown", "82dBA", "--from", "2s", "--to", "10s", "--reading", "F")
    assert done.exit_code == 0
    assert "set the meter to Leq" in joined(done.output)
    assert "[[clips]]" not in done.output


def test_a_calibrators_tone_in_a_file_of_its_own(bench: Path) -> None:
    # The tone is 94 dB SPL; the song has half its pressure, 6.02 dB less.
    soundfile.write(bench / "tone.wav", tone(1000, 0.1, 10.0, 16_000), 16_000)
    soundfile.write(bench / "song.wav", tone(400, 0.05, 10.0, 16_000), 16_000)
    words = ("--shown", "94", "--meter", "calibrator", "--from", "2s", "--to", "8s")
    done = run("level", "song.wav", *words, "--measured-in", "tone.wav")
    assert "song.wav: 88.0 dB SPL" in joined(done.output)
    assert "tone is part of the recording" in joined(run("level", "tone.wav", *words).output)


def test_without_a_meter_it_says_what_weighting_makes_and_what_the_recorder_did(bench: Path) -> None:
    done = joined(run("level", DRUMS).output)
    assert "a meter set to A shows 9.6 dB less" in done
    assert "Flat tops: none" in done
    cut, rate_hz = soundfile.read(DRUMS)
    soundfile.write(bench / "cut.wav", np.clip(cut, -0.3 * cut.max(), 0.3 * cut.max()), rate_hz)
    assert "highest tops are cut flat; the recorder was overloaded" in joined(run("level", "cut.wav").output)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--shown", "loud"), "'loud' is not as in 92"),
        (("--shown", "82dBA"), "--shown is given without --from and --to"),
        (("--from", "2s"), "--from, --to, --measured-in are given without --shown"),
        (("--shown", "82dBA", "--from", "2s", "--to", "soon"), "'soon' is not a time in seconds"),
        (("--shown", "82dBA", "--from", "2s", "--to", "99s"), "within the recording, which lasts 13.4"),
        (("--shown", "82dBA", "--from", "2s", "--to", "2.1s"), "from 0.5 to 3600 s after from_s"),
    ],
)
def test_bad_input_is_one_line(words: tuple[str, ...], says: str) -> None:
    done = run("level", DRUMS, *words)
    assert done.exit_code in (1, 2)
    assert says in joined(done.output)
    assert "Traceback" not in done.output


def test_silence_has_no_level(bench: Path) -> None:
    soundfile.write(bench / "still.wav", np.zeros(16_000), 16_000)
    done = run("level", "still.wav")
    assert done.exit_code == 1
    assert "still.wav: silent" in done.output


def test_help_has_the_usual_levels_with_their_sources() -> None:
    told = run("level", "--help").output
    assert re.search(r"60 to 70 dB\(A\) +talking, a step away +\[NIDCD2022\]", told)
    assert re.search(r"85 dB\(A\) +ears: 8 hours a day +\[NIOSH98-126\]", told)
    assert max(map(len, told.splitlines())) <= 80


def test_floor_and_ceiling_are_found_and_set_and_comments_stay(bench: Path) -> None:
    (bench / "mine.toml").write_text(
        "# my board\n[brightness]\nfloor_db_spl = 60.0  # dark\n", encoding="utf-8"
    )
    words = ("span", "mine.toml", "--floor", "voices_bells.flac@60dBA", "--ceiling", "drum_line.flac@104")
    done = run(*words, "--out", "new.toml")
    assert done.exit_code == 0, done.output
    floor, ceiling = (
        float(re.search(rf"^{key} = ([\d.]+)$", done.output, re.MULTILINE)[1])  # type: ignore[index]
        for key in ("floor_db_spl", "ceiling_db_spl")
    )
    text = (bench / "new.toml").read_text(encoding="utf-8")
    assert "# my board" in text
    assert "# dark" in text
    brightness = read_specification(bench / "new.toml").chain.brightness
    assert (brightness.floor_db_spl, brightness.ceiling_db_spl) == (floor, ceiling)
    assert "voices_bells 60 dB(A)" in done.output
    assert run(*words, "--out", "new.toml").exit_code == 1


@pytest.mark.parametrize(
    ("floor", "says"),
    [
        ("quiet.wav", "'quiet.wav' is not a file and its level, as in quiet.wav@60"),
        ("quiet.wav@soft", "'soft' is not as in 92"),
        ("gone.wav@60", "gone.wav: no such file"),
    ],
)
@pytest.mark.usefixtures("bench")
def test_span_refuses_in_one_line(floor: str, says: str) -> None:
    done = run("span", "--floor", floor, "--ceiling", "drum_line.flac@104")
    assert done.exit_code in (1, 2)
    assert says in joined(done.output)
    assert "Traceback" not in done.output


def test_a_design_file_elsewhere_would_lose_its_clips(bench: Path) -> None:
    (bench / "mine.toml").write_text("", encoding="utf-8")
    (bench / "other").mkdir()
    words = ("--floor", "quiet_room.flac@38", "--ceiling", "drum_line.flac@104", "--out", "other/new.toml")
    done = run("span", "mine.toml", *words)
    assert done.exit_code == 1
    assert "must lie beside mine.toml" in joined(done.output)


def test_simulate_says_once_what_a_recorder_did_to_ones_own_clip(bench: Path) -> None:
    wave, rate_hz = soundfile.read(DRUMS, frames=96_000)
    soundfile.write(bench / "mine.wav", np.clip(wave, -0.2 * wave.max(), 0.2 * wave.max()), rate_hz)
    done = run("simulate", "--clip", "mine.wav", "--level", "82dBA", "--out", "nodes.csv")
    assert done.exit_code == 0, done.output
    assert joined(done.output).count("mine.wav: Flat tops:") == 1
    assert "mine 82 dB(A)" in done.output
    assert "Flat tops" not in run("simulate", "--out", "demo.csv").output


def test_the_level_on_the_command_line_is_that_of_the_recording() -> None:
    weighted = read_recording(DRUMS, 82.4, weighting="A")
    plain = read_recording(DRUMS, 92.0)
    # 92 dB of this clip read 82.4 dB(A); both ways to say it are the same sound within the printed digit.
    assert np.abs(weighted.pressure_pa).max() == pytest.approx(np.abs(plain.pressure_pa).max(), rel=0.01)
