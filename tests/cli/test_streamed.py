"""What the verbs write of a clip is the same, byte for byte, whether it is held or streamed from its file."""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from envlab.cli import main
from envlab.shipped import shipped_folder
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.stream import SoundStream, open_sound

DESIGN = """
[[clips]]
file = "{file}"
levels_db_spl = [92]
tags = ["beat"]

[sweep.detector]
release_ohm = ["100k", "220k"]

[targets.flashes_per_s]
at_most = 3
scale = 1

[tolerance]
boards = 30
"""
SUBTYPES = {"flac": "PCM_16", "mp3": "MPEG_LAYER_III"}
# Refused for flashes, or nothing to be judged: the verb has done all its work.
DONE = (0, 3, 4)


@pytest.fixture(scope="module", params=SUBTYPES)
def design(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp(request.param)
    samples, rate_hz = soundfile.read(shipped_folder("audio_samples") / "drum_line.flac")
    samples = samples[: 9 * rate_hz]
    # What a microphone on a stage and one in the street make of it: channels that differ.
    both = np.stack((0.9 * samples, 0.8 * np.roll(samples, 37)), axis=1)
    soundfile.write(folder / f"song.{request.param}", both, rate_hz, subtype=SUBTYPES[request.param])
    (folder / "song.toml").write_text(DESIGN.format(file=f"song.{request.param}"))
    return folder / "song.toml"


def written(monkeypatch: pytest.MonkeyPatch, held_s: float, *words: object) -> tuple[str, dict[str, bytes]]:
    """What a verb says, and the files that it leaves under its --out, which comes last."""
    out = Path(str(words[-1]))
    clip = next(path for path in Path(str(words[1])).parent.glob("song.*") if path.suffix != ".toml")
    with monkeypatch.context() as changed:
        changed.setattr("envlab.sound.clip.open_sound", functools.partial(open_sound, held_s=held_s))
        assert isinstance(Clip(clip, 92.0).sound(), Recording if held_s > 9 else SoundStream)
        done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code in DONE, done.output
    files = sorted(out.rglob("*")) if out.is_dir() else [out]
    return done.output, {path.name if out.is_dir() else "": path.read_bytes() for path in files}


def same(monkeypatch: pytest.MonkeyPatch, verb: str, design: Path, ending: str, *options: object) -> set[str]:
    said = []
    for name, held_s in (("once", 60.0), ("anew", 1.0)):
        out = design.parent / f"{verb}-{name}{ending}"
        text, files = written(monkeypatch, held_s, verb, design, *options, "--out", out)
        # A long path breaks where the line does, within the name too.
        said.append(("".join(text.split()).replace(out.name, "OUT"), files))
    (held_text, held), (streamed_text, streamed) = said
    assert held.keys() == streamed.keys()
    assert [name for name in held if held[name] != streamed[name]] == []
    assert held_text == streamed_text
    return set(held)


def test_simulate(design: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert same(monkeypatch, "simulate", design, ".csv") == {""}


def test_tolerance(design: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert same(monkeypatch, "tolerance", design, ".csv") == {""}


@pytest.mark.slow
def test_design_and_its_report(design: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files = same(monkeypatch, "design", design, "", "--no-pdf", "--accept-misses")
    assert {"report.html", "candidates.csv", "design.toml", "brightness_table.h"} <= files
