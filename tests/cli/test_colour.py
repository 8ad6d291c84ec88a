"""A design with a colour, from its file to the terminal: a dim red that comes and goes is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

import envlab.cli

DESIGN = """
[detector]
kind = "peak"
attack_ohm = "2k2"
hold_farad = "1u"
release_ohm = "47k"

[pixels]
pwm_hz = 16000

[colour]
full = "{hue}"

[[clips]]
file = "glow.wav"
levels_db_spl = [64]
tags = ["beat"]

[targets]
flashes_per_s = {{ at_most = 3, scale = 1 }}
"""


def run(folder: Path, verb: str, hue: str, *words: str) -> Result:
    """A tone five times a second, a little above the floor: too dim for a flash of luminance."""
    time_s = np.arange(6 * 16_000) / 16_000
    tone = 0.3 * np.sin(2 * np.pi * 300 * time_s) * (time_s % 0.2 < 0.1)
    soundfile.write(folder / "glow.wav", tone, 16_000)
    (folder / "mine.toml").write_text(DESIGN.format(hue=hue), "utf-8")
    asked = [verb, str(folder / "mine.toml"), "--out", str(folder / "out"), *words]
    return CliRunner().invoke(envlab.cli.main, asked)


def unwrapped(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.slow
def test_a_red_that_comes_and_goes_is_refused_with_what_would_do(tmp_path):
    done = run(tmp_path, "design", "#ff0000", "--no-pdf")
    assert done.exit_code == 3, done.output
    said = unwrapped(done.output)
    assert "Red flashes 5 in 1 s at most 3 missed" in said
    assert "Flashes in colour 0 in 1 s at most 3 met" in said
    assert "It would do: the colour with" in said
    assert not list((tmp_path / "out").glob("*table*"))
    assert "Red flashes" in (tmp_path / "out" / "report.html").read_text("utf-8")


@pytest.mark.slow
def test_amber_is_exported_with_its_channels(tmp_path):
    done = run(tmp_path, "design", "#ff8000", "--no-pdf")
    assert done.exit_code == 0, done.output
    assert "Red flashes 0 in 1 s at most 3 met" in unwrapped(done.output)
    assert (tmp_path / "out" / "brightness_table_rgb.h").is_file()
    assert (tmp_path / "out" / "brightness_table_rgb.csv").is_file()


def test_table_refuses_it_too(tmp_path):
    done = run(tmp_path, "table", "#ff0000")
    assert done.exit_code == 3, done.output
    assert "5 flashes in the worst second" in unwrapped(done.output)
    assert not (tmp_path / "out").exists()


def test_table_writes_the_channels(tmp_path):
    done = run(tmp_path, "table", "#ff8000")
    assert done.exit_code == 0, done.output
    assert {"brightness_table.h", "brightness_table_rgb.h"} <= {
        one.name for one in (tmp_path / "out").iterdir()
    }
