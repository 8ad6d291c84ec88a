"""The verbs behind check-board: a board's design file, trims, the night after."""

from __future__ import annotations

import re
import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

import envlab
from envlab.bench.boards.invented import invented_capture, logged_song
from envlab.bench.captures.table_file import capture_text
from envlab.cli import main
from envlab.shipped import demo_design, shipped_folder
from envlab.stages import PeakDetector, Rectifier


def invoked(*words: object):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def design(tmp_path_factory):
    """The parade's file on parts that stay, whatever the parade is built of: an ideal rectifier, 22k."""
    text = demo_design().read_text(encoding="utf-8")
    ideal = '[rectifier]\\ntopology = "ideal"\\nkind = "full"\\n\\n'
    text = re.sub(r"(?ms)^\[rectifier\]\n.*?(?=^\[)", ideal, text)
    for key, value in (("feedback_ohm", "22k"), ("attack_ohm", "4k7"), ("release_ohm", "220k")):
        text, count = re.subn(rf'(?m)^{key} = "\w+"', f'{key} = "{value}"', text)
        assert count == 1
    path = tmp_path_factory.mktemp("design") / "parade.toml"
    path.write_text(text, encoding="utf-8")
    chain = envlab.read_design(path)
    assert chain.rectifier == Rectifier()
    assert chain.detector == PeakDetector(4.7e3, 1e-6, 220e3)
    return path


@pytest.fixture(scope="module")
def boards(tmp_path_factory, design):
    """A folder with two captures and a log of a board with a capacitor that is 12 % low."""
    folder = tmp_path_factory.mktemp("boards")
    chain = envlab.read_design(design)
    parts = replace(chain.detector, hold_farad=0.88e-6)
    board = replace(chain, detector=parts, adc=replace(chain.adc, offset_lsb=1.5))
    loaded = replace(board, detector=replace(parts, release_ohm=1 / (1 / parts.release_ohm + 1 / 100e3)))
    (folder / "first.csv").write_text(capture_text(invented_capture(chain, board, seed=1)))
    (folder / "second.csv").write_text(capture_text(invented_capture(chain, loaded, seed=2)))
    song = envlab.read_recording(shipped_folder("audio_samples") / "drum_line.flac", 92.0)
    piece = song.pressure_pa[: 7 * 48_000]
    (folder / "night.csv").write_text(capture_text(logged_song(board, piece, seed=3)))
    soundfile.write(folder / "phone.wav", piece[24_000:] / np.abs(piece).max() / 2, 48_000)
    return folder


def test_fit_board_writes_the_board_as_a_design(boards, design):
    out, picture = boards / "board.toml", boards / "board.png"
    done = invoked(
        "fit-board", design, boards / "first.csv", "--second", boards / "second.csv",
        "--known", "100k", "--known-percent", 0.1, "--out", out, "--picture", picture,
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    found = envlab.read_design(out).detector
    assert found.hold_farad == pytest.approx(0.88e-6, rel=5e-3)
    designed = envlab.read_design(design).detector
    assert found.release_ohm == pytest.approx(designed.release_ohm, rel=5e-3)
    assert found.attack_ohm == pytest.approx(designed.attack_ohm, rel=1e-2)
    assert picture.read_bytes()[:4] == b"\x89PNG"
    again = invoked("fit-board", design, boards / "first.csv", "--out", out)
    assert again.exit_code == 1
    assert "exists already" in again.output


def test_a_second_capture_wants_its_resistor(boards, design, tmp_path):
    done = invoked(
        "fit-board", design, boards / "first.csv", "--second", boards / "second.csv",
        "--out", tmp_path / "b.toml",
    )  # fmt: skip
    assert done.exit_code == 1
    assert "--second and --known go together" in done.output
    assert list(tmp_path.iterdir()) == []


def test_trims_are_headers_of_the_export(tmp_path):
    readings, out = tmp_path / "fifty.csv", tmp_path / "trims"
    readings.write_text(
        "serial,silence_counts,counts_at_90_db_spl,counts_at_104_db_spl\n"
        "0001,3.5,52,245\n0002,2.5,40,192\n0003,2,3,4\n"
    )
    done = invoked("trim-boards", demo_design(), readings, "--out", out, "--no-yield")
    assert done.exit_code == 0, done.output
    assert {path.name for path in out.iterdir()} == {
        "envlab_trim_0001.h", "envlab_trim_0002.h", "trims.csv",
    }  # fmt: skip
    assert "2 of 3 boards have a trim" in done.output
    assert "board 0003" in done.output
    exported = tmp_path / "firmware"
    made = invoked("table", demo_design(), "--out", exported, "--accept-misses")
    assert made.exit_code in (0, 3), made.output
    if made.exit_code == 0:
        parameters = (exported / "envlab_parameters.h").read_text()
        mark = parameters.split("#define ENVLAB_MARK ")[1].split()[0]
        assert f"#define ENVLAB_MARK {mark}" in (out / "envlab_trim_0001.h").read_text()
    assert "#define ENVLAB_TRIM_REST 224u" in (out / "envlab_trim_0001.h").read_text()


def test_trims_of_a_bad_file_leave_nothing(tmp_path):
    readings = tmp_path / "fifty.csv"
    readings.write_text("serial,quiet\n1,2\n")
    done = invoked("trim-boards", demo_design(), readings, "--out", tmp_path / "trims")
    assert done.exit_code == 1
    assert "wanted are serial, silence_counts" in done.output
    assert not (tmp_path / "trims").exists()


def test_night_after_says_what_is_left(boards, design):
    out, picture = boards / "night-traces.csv", boards / "night.svg"
    done = invoked(
        "night-after", design, boards / "phone.wav", boards / "night.csv", "--out", out,
        "--picture", picture,
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "What is left between log and simulation is" in done.output
    lines = out.read_text().splitlines()
    assert lines[0] == "time_s,measured_counts,simulated_counts"
    assert len(lines) > 4000
    assert picture.read_text().startswith("<?xml")


def test_a_recording_of_a_whole_night_is_refused_before_it_is_held(boards, design, tmp_path):
    minute, path = np.random.default_rng(1).normal(0, 0.1, 60 * 48_000), tmp_path / "all.flac"
    with soundfile.SoundFile(path, "w", 48_000, 1) as file:
        for _ in range(4):
            file.write(minute)
    tracemalloc.start()
    done = invoked("night-after", design, path, boards / "night.csv")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert done.exit_code == 1
    said = " ".join(done.output.split())
    assert f"{path}: recording is '240 s'; it must be at most 180 s; cut out the moment" in said
    # Held it would be 92 MB.
    assert peak < 60e6
