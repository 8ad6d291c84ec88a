"""The verb tolerance as a maker types it, and what a design run tells of many boards."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from click.testing import CliRunner, Result

import envlab.cli

SMALL = """
[[clips]]
file = "pulse.wav"
levels_db_spl = [90]
tags = ["beat"]

[sweep.detector]
release_ohm = ["100k", "220k"]

[targets]
onset_lag_worst_ms = { at_most = 45, scale = 20 }
clipped_share = { at_most = 0.004, scale = 0.01 }

[tolerance]
temperature_c = [-10, 20]
boards = 60
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(envlab.cli.main, [str(word) for word in words])


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with two seconds of soft strokes and a small design; no browser near."""
    monkeypatch.setattr("envlab.report.pdf.browser_at_hand", lambda: None)
    monkeypatch.chdir(tmp_path)
    time_s = np.arange(2 * 16_000) / 16_000
    pulse = np.sin(2 * np.pi * 180 * time_s) * np.exp(-(time_s % 0.5) / 0.1)
    soundfile.write(tmp_path / "pulse.wav", 0.5 * pulse, 16_000)
    (tmp_path / "mine.toml").write_text(SMALL, encoding="utf-8")
    return tmp_path


def test_it_says_the_yield_and_writes_every_board(bench):
    done = run("tolerance", "mine.toml", "--out", "boards.csv", "--picture", "boards.png", "--quiet")
    assert done.exit_code == 0, done.output
    assert done.output == ""
    boards = pd.read_csv(bench / "boards.csv", index_col="board")
    assert len(boards) == 60
    assert boards["C3_percent"].between(-20, 20).all()
    # No part of this board feels the cold, so it is no part of the table.
    assert "temperature_c" not in boards
    assert boards["adc_offset_lsb"].between(-2, 2).all()
    assert (bench / "boards.png").read_bytes().startswith(b"\x89PNG")


def test_words_and_number_of_boards(bench):
    done = run("tolerance", "mine.toml", "--boards", 25)
    assert done.exit_code == 0, done.output
    assert "of the boards meet every target" in done.output
    assert " of 25, with parts spread evenly" in " ".join(done.output.split())
    assert list(bench.glob("*.csv")) == []
    assert max(map(len, done.output.splitlines())) <= 80


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--boards", "0"), "boards is 0; it must be a whole number from 1 to 100000"),
        (("--boards", "-4"), "boards is -4; it must be a whole number from 1 to 100000"),
        (("--out", "boards.txt"), "boards.txt: results end in .csv or .parquet"),
        (("--picture", "boards.gif"), "boards.gif: a picture ends in .png, .svg or .pdf"),
        (("--out", "mine.csv"), "mine.csv: exists already"),
        (("--level", "90"), "--level is given without --clip"),
    ],
)
def test_what_cannot_be_is_one_line_and_leaves_nothing(bench, words, told):
    (bench / "mine.csv").write_text("kept")
    before = sorted(bench.iterdir())
    done = run("tolerance", "mine.toml", *words)
    assert done.exit_code == 1
    assert told in done.output
    assert len(done.output.strip().splitlines()) == 1
    assert sorted(bench.iterdir()) == before
    assert (bench / "mine.csv").read_text() == "kept"


def test_a_wrong_section_is_one_line(bench):
    (bench / "mine.toml").write_text(SMALL + "boards_wanted = 5\n", encoding="utf-8")
    done = run("tolerance", "mine.toml")
    assert done.exit_code == 1
    assert "mine.toml: [tolerance] has an unknown key 'boards_wanted'" in done.output


def test_a_design_that_flashes_ends_with_status_3(bench):
    time_s = np.arange(2 * 16_000) / 16_000
    strobe = np.sin(2 * np.pi * 300 * time_s) * (time_s % 0.125 < 0.03)
    soundfile.write(bench / "pulse.wav", 0.5 * strobe, 16_000)
    text = SMALL + '[detector]\nkind = "peak"\nattack_ohm = "1k"\nhold_farad = "1u"\nrelease_ohm = "22k"\n'
    (bench / "mine.toml").write_text(text, encoding="utf-8")
    done = run("tolerance", "mine.toml", "--boards", 5)
    assert done.exit_code == 3
    told = " ".join(done.output.split())
    assert "of the boards flash more than 3 times in their worst second" in told
    assert "must not be worn" in told


def test_a_design_run_tells_of_its_boards(bench):
    done = run("design", "mine.toml", "--out", "night")
    assert done.exit_code == 0, done.output
    assert "of the boards meet every target" in " ".join(done.output.split())
    assert "Many boards" in (bench / "night" / "report.html").read_text(encoding="utf-8")


def test_a_design_run_leaves_slow_boards_to_the_verb(bench, monkeypatch):
    monkeypatch.setattr("envlab.study.sweep.boards_of_choice._MOST_S", 0.0)
    # Of a second process the time cannot be taken from here.
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    text = SMALL + "[rectifier]\noutput_current_a = 1.0\n"
    (bench / "mine.toml").write_text(text, encoding="utf-8")
    done = run("design", "mine.toml", "--out", "night")
    assert done.exit_code == 0, done.output
    assert "Many boards were not simulated, as it would take minutes" in " ".join(done.output.split())
