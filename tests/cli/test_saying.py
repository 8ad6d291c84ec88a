"""What the command says: nothing when quiet, colour on terminals only, never wider than 80 columns."""

from __future__ import annotations

import math
import os
import pty
import subprocess
import sys
import warnings
from concurrent.futures import ThreadPoolExecutor

import click
import pytest
import rich.progress
from click.testing import CliRunner

from envlab.cli.group import Verbs
from envlab.cli.options import quiet_option
from envlab.cli.saying import note, paint, progress, say, say_lines
from envlab.errors import EnvlabWarning

LONG = "a quarter of an hour of drums in the square " * 8


@pytest.fixture
def chatty() -> click.Group:
    """A command whose one verb says all that can be said."""

    @click.group(cls=Verbs)
    def command() -> None:
        pass

    @command.command()
    @quiet_option
    def talk() -> None:
        with progress() as report:
            report("drum_line 92 dB", 0.5)
        say(LONG)
        say()
        say_lines("node   quiet\nair   80 mPa")
        note(LONG)
        warnings.warn("the clip is silent", EnvlabWarning, stacklevel=1)

    return command


def test_it_talks(chatty):
    result = CliRunner().invoke(chatty, ["talk"])
    assert result.exit_code == 0
    assert "node   quiet\nair   80 mPa" in result.stdout
    assert " ".join(result.stdout.split()).startswith(LONG.strip())
    assert "Note: the clip is silent" in result.stderr


def test_it_keeps_to_80_columns(chatty):
    result = CliRunner().invoke(chatty, ["talk"])
    assert max(len(line) for line in result.output.splitlines()) <= 80


def test_a_narrow_terminal_gets_narrow_lines(chatty, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    lines = CliRunner().invoke(chatty, ["talk"]).output.splitlines()
    assert 50 <= max(len(line) for line in lines) < 60


def test_a_number_stays_with_its_unit_at_the_end_of_a_line(monkeypatch):
    # Of these lines of 59 letters the first would end with "14".
    monkeypatch.setenv("COLUMNS", "60")
    words = f"{'drums ' * 9}is 14 ms late"
    with click.Context(click.Command("talk")):
        told = CliRunner().invoke(click.Command("talk", callback=lambda: say(words)), []).output
    assert told == f"{'drums ' * 9}is\n  14 ms late\n"


def test_quiet_is_quiet(chatty):
    result = CliRunner().invoke(chatty, ["talk", "--quiet"])
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")


def test_quiet_ends_with_the_run(chatty):
    CliRunner().invoke(chatty, ["talk", "--quiet"])
    assert CliRunner().invoke(chatty, ["talk"]).stdout


def test_no_color_means_none(monkeypatch):
    monkeypatch.setenv("NO_COLOR", "1")
    assert paint("Error:", fg="red") == "Error:"
    # An empty value counts as unset: that is how the variable is defined where it is described.
    monkeypatch.setenv("NO_COLOR", "")
    assert paint("Error:", fg="red") == "\x1b[31mError:\x1b[0m"


def test_time_left_is_of_what_is_being_done(monkeypatch):
    clock, made = [0.0], list[rich.progress.Progress]()

    class Watched(rich.progress.Progress):
        def __init__(self, *columns, **rest):
            super().__init__(*columns, get_time=lambda: clock[0], **rest)
            made.append(self)

    monkeypatch.setattr("rich.progress.Progress", Watched)

    def told(what: str, *shares: float) -> rich.progress.Task:
        for share in shares:
            clock[0] += 1.0
            report(what, share)
        return made[0].tasks[0]

    with progress() as report:
        assert told("drum_line 92 dB", 0.1, 0.2, 0.3, 0.4).time_remaining == pytest.approx(6, abs=1)
        assert told("walking 78 dB", 0.5, 0.6, 0.7, 0.8).time_remaining == pytest.approx(2, abs=1)
        told("walking 78 dB", 0.9, 1.0)
        unknown = told("Choosing", math.nan)
        assert (unknown.started, unknown.time_remaining) == (False, None)
        assert told("Boards of 3 candidates", 0.0).time_remaining is None
        slow = told("Boards of 3 candidates", 0.01, 0.02, 0.03)
        assert slow.time_remaining == pytest.approx(97, abs=1)
        assert (slow.started, slow.completed) == (True, 0.03)
        # What follows leans on nothing that went before, however full the line was.
        told("Boards of 3 candidates", 1.0)
        assert told("Boards of the choice", 0.001, 0.002, 0.003).time_remaining == pytest.approx(997, abs=2)
        assert told("Boards of the choice", 1.0).time_remaining == 0


def on_a_terminal(**variables: str) -> str:
    """Return what a bad call prints on standard error when that is a terminal."""
    ours, its = pty.openpty()
    around = {**{k: v for k, v in os.environ.items() if k != "NO_COLOR"}, "TERM": "xterm", **variables}
    words = [sys.executable, "-m", "envlab", "design", "none.toml"]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=its, env=around) as running:
        os.close(its)
        told = os.read(ours, 4096).decode()
        running.wait()
    os.close(ours)
    return told


def test_colour_on_a_terminal_only():
    assert "\x1b[" in on_a_terminal()
    assert on_a_terminal(NO_COLOR="1").strip() == "Error: none.toml: no such file"
    words = [sys.executable, "-m", "envlab", "design", "none.toml"]
    piped = subprocess.run(words, capture_output=True, text=True, check=False)
    assert piped.stderr == "Error: none.toml: no such file\n"


def test_quiet_holds_for_what_other_threads_notice(chatty):
    @chatty.command()
    @quiet_option
    def thread() -> None:
        with ThreadPoolExecutor(1) as pool:
            pool.submit(warnings.warn, "the clip is silent", EnvlabWarning, stacklevel=1).result()

    assert "Note: the clip is silent" in CliRunner().invoke(chatty, ["thread"]).stderr
    assert CliRunner().invoke(chatty, ["thread", "--quiet"]).output == ""
