"""How the command ends, which verbs it names, and that a slip of the fingers is helped."""

from __future__ import annotations

import re

import click
import pytest
from click.testing import CliRunner

import envlab.cli
from envlab.cli import main
from envlab.errors import FileError


def run(*words: str):
    return CliRunner().invoke(main, words)


@pytest.fixture
def trying(monkeypatch):
    """A verb "try" of the command that does what the test hands in."""

    def add(act):
        @click.command("try")
        def verb():
            act()

        monkeypatch.setitem(main.commands, "try", verb)

    return add


def files_by_moment() -> list[str]:
    """The files of verbs, in the order in which the command's own docstring tells its moments."""
    told = envlab.cli.__doc__.split("\n\n", 1)[1]
    moments = [one for some in re.findall(r"((?:\w+, )*\w+):\s", told) for one in some.split(", ")]
    return [getattr(envlab.cli, moment).__name__ for moment in moments]


def test_without_a_verb_it_shows_the_way():
    result = run()
    assert result.exit_code == 0
    assert result.stdout == run("--help").stdout
    for said in ("envlab design", "envlab notebooks", "Exit status:", "the flash limit is not kept"):
        assert said in result.stdout


def test_verbs_stand_in_the_order_of_the_job_and_each_has_a_whole_sentence():
    context = click.Context(main)
    verbs = main.list_commands(context)
    assert verbs == [
        verb
        for file in files_by_moment()
        for verb, command in main.commands.items()
        if command.callback.__module__ == file
    ]
    told = " ".join(run("--help").stdout.split())  # a sentence may go on in the next line
    for verb in verbs:
        assert main.commands[verb].short_help in told
        assert main.commands[verb].short_help.endswith(".")


@pytest.mark.parametrize("verb", sorted(main.commands))
def test_every_verb_has_an_example_the_same_options_and_80_columns(verb):
    result = run(verb, "--help")
    assert result.exit_code == 0
    assert f"\n    envlab {verb}" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert "--quiet" in result.stdout
    options = {option for param in main.commands[verb].params for option in param.opts}
    assert ("--out" in options) == ("--force" in options)
    # A level belongs to a clip of one's own, or to the recording that night-after takes.
    assert ("--clip" in options or verb == "night-after") == ("--level" in options)


def test_every_option_is_explained():
    for verb, command in main.commands.items():
        for param in command.params:
            if isinstance(param, click.Option):
                assert param.help, f"{verb} {param.opts}"


@pytest.mark.parametrize(
    ("typed", "meant"), [("desing", "design"), ("simulat", "simulate"), ("tabel", "table")]
)
def test_a_verb_typed_wrong_names_the_right_one(typed, meant):
    result = run(typed)
    assert result.exit_code == 2
    assert f"did you mean '{meant}'?" in result.stderr


def test_a_verb_like_no_other_gets_the_list():
    result = run("xyzzy")
    assert result.exit_code == 2
    assert "design, sweep" in result.stderr


def test_an_option_that_is_not_there_is_wrong_usage():
    assert run("design", "--nosuch").exit_code == 2
    assert run("--nosuch").exit_code == 2


def test_errors_on_purpose_are_one_line_and_status_1(trying):
    def fail():
        raise FileError("board.toml: no such file")

    trying(fail)
    result = run("try")
    assert (result.exit_code, result.stdout, result.stderr) == (1, "", "Error: board.toml: no such file\n")


def test_too_little_memory_is_one_line(trying):
    def fail():
        raise MemoryError

    trying(fail)
    result = run("try")
    assert result.exit_code == 1
    assert result.stderr.startswith("Error: out of memory")


def test_interrupted_is_status_130(trying):
    def fail():
        raise KeyboardInterrupt

    trying(fail)
    result = run("try")
    assert result.exit_code == 130
    assert result.stderr == "Interrupted; nothing was written.\n"


def test_interrupted_while_a_loop_is_loaded_is_the_same(trying):
    """What numba's dispatcher, which is C, makes of Ctrl-C that comes while it unpacks a loop."""

    def fail():
        raise SystemError("returned a result with an exception set") from KeyboardInterrupt()

    trying(fail)
    result = run("try")
    assert (result.exit_code, result.stderr) == (130, "Interrupted; nothing was written.\n")


@pytest.mark.parametrize("defect", [ZeroDivisionError, SystemError])
def test_a_defect_is_not_hidden(trying, defect):
    def fail():
        raise defect

    trying(fail)
    assert isinstance(run("try").exception, defect)
