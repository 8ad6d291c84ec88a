"""A design whose clips show nothing of flashes: no table, no share of boards, status 4."""

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
file = "knock.wav"
levels_db_spl = [80, 90]
tags = ["beat"]

[sweep.detector]
release_ohm = ["100k", "220k"]

[targets]
beat_contrast_lstar = { at_least = 10, scale = 10 }
onset_lag_worst_ms = { at_most = 45, scale = 20 }
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(envlab.cli.main, [str(word) for word in words])


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a knock of 50 ms and a small design; no browser near."""
    monkeypatch.setattr("envlab.report.pdf.browser_at_hand", lambda: None)
    monkeypatch.chdir(tmp_path)
    soundfile.write(tmp_path / "knock.wav", 0.5 * np.sin(np.arange(800) / 5), 16_000)
    (tmp_path / "mine.toml").write_text(SMALL, encoding="utf-8")
    return tmp_path


def test_a_design_of_50_ms_is_not_judged(bench):
    done = run("design", "mine.toml", "--out", "night")
    assert done.exit_code == 4, done.output
    told = " ".join(done.output.split())
    assert "Flashes were not judged: no clip can show them" in told
    assert "On knock 80 dB no flashes, contrast could be judged: it lasts 0.05 s" in told
    assert "of the boards" not in told
    assert "100 %" not in told
    assert not list((bench / "night").glob("brightness_table.*"))


def test_report_and_table_of_candidates_say_so(bench):
    run("design", "mine.toml", "--out", "night")
    page = (bench / "night" / "report.html").read_text(encoding="utf-8")
    assert "flashes were not judged. Do not wear this." in page
    assert ">nan" not in page
    assert "not\u00a0judged" in page
    table = pd.read_csv(bench / "night" / "candidates.csv")
    assert table["flashes_per_s"].isna().all()
    assert not table["flash_safe"].any()
    assert (
        table["not_judged"].str.contains("not judged: .*flashes_per_s.*knock 80 dB: .*it lasts 0.05 s").all()
    )


@pytest.mark.usefixtures("bench")
def test_no_share_of_boards_is_said_of_it():
    done = run("tolerance", "mine.toml", "--boards", 20)
    assert done.exit_code == 4
    assert "flashes are judged on no clip (knock 80 dB: it lasts 0.05 s" in done.output
    assert len(done.output.strip().splitlines()) == 1


def test_one_clip_that_shows_them_is_enough_and_the_other_is_named(bench):
    time_s = np.arange(2 * 16_000) / 16_000
    pulse = np.sin(2 * np.pi * 180 * time_s) * np.exp(-(time_s % 0.5) / 0.1)
    soundfile.write(bench / "pulse.wav", 0.5 * pulse, 16_000)
    more = '\n[[clips]]\nfile = "pulse.wav"\nlevels_db_spl = [90]\ntags = ["beat"]\n'
    (bench / "mine.toml").write_text(SMALL + more, encoding="utf-8")
    done = run("design", "mine.toml", "--out", "night")
    assert done.exit_code == 0, done.output
    told = " ".join(done.output.split())
    assert "It meets every target that could be judged" in told
    assert "On knock 80 dB no flashes, contrast could be judged" in told
    assert (bench / "night" / "brightness_table.h").exists()


def test_the_help_names_the_status():
    assert "nothing could be judged" in run("--help").output
    assert "status 4" in " ".join(run("design", "--help").output.split())


def test_a_sweep_counts_what_it_has(bench):
    (bench / "mine.toml").write_text(SMALL.replace("[80, 90]", "[90]"), encoding="utf-8")
    done = run("sweep", "mine.toml", "--out", "all.csv")
    assert done.exit_code == 0, done.output
    assert "2 candidates on 1 clip, in all.csv." in done.output


def test_a_note_is_given_once(bench):
    soundfile.write(bench / "knock.wav", np.zeros(32_000), 16_000)
    done = run("design", "mine.toml", "--out", "night")
    assert done.exit_code == 4, done.output
    assert done.output.count("silent clip") == 1
