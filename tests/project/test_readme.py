"""The README does what it says: its commands run as printed, its code compiles, its links lead somewhere."""

from __future__ import annotations

import importlib
import os
import re
import shlex
import shutil
import sys
from pathlib import Path

import pytest
import tomlkit
from click.testing import CliRunner

from envlab.cli import main
from envlab.cli.group import (
    EXIT_WORDS,
    FLASHING_EXIT,
    INTERRUPTED_EXIT,
    NOT_JUDGED_EXIT,
    NOT_WITHIN_EXIT,
    REFUSED_EXIT,
    USAGE_EXIT,
)
from envlab.shipped import demo_design, shipped_folder

STATUSES = (REFUSED_EXIT, USAGE_EXIT, FLASHING_EXIT, NOT_JUDGED_EXIT, NOT_WITHIN_EXIT, INTERRUPTED_EXIT)

FENCED = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
# Opens JupyterLab and stays; tests/test_cli.py runs it without a server.
STAYS = "envlab notebooks"


@pytest.fixture(scope="module")
def readme(checkout) -> str:
    return (checkout / "README.md").read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of one language."""
    return [body for kind, body in FENCED.findall(text) if kind == language]


def sections(text: str) -> dict[str, str]:
    """Return the text of each second-level section by its heading; fenced blocks may hold no heading."""
    parts = re.split(r"^## (.+)$", text, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


@pytest.fixture(scope="module")
def desk(tmp_path_factory) -> Path:
    """A folder as it is after the first block, but with a small parade, and a song beside it."""
    folder = tmp_path_factory.mktemp("desk")
    design = tomlkit.parse(demo_design().read_text(encoding="utf-8"))
    design["clips"] = [{"file": "drum_line.flac", "levels_db_spl": [92], "tags": ["beat"]}]
    design["sweep"] = {"detector": {"attack_ohm": ["10k", "22k"], "release_ohm": ["470k", "680k"]}}
    (folder / "lantern-parade").mkdir()
    small_parade(folder).write_text(tomlkit.dumps(design), encoding="utf-8")
    for clip, name in (("drum_line", "song"), ("voices_bells", "quiet"), ("drum_line", "loud")):
        shutil.copy(shipped_folder("audio_samples") / f"{clip}.flac", folder / f"{name}.flac")
    return folder


def small_parade(folder: Path) -> Path:
    return folder / "lantern-parade" / "design.toml"


def test_the_job_stands_first(readme):
    title, paragraph, picture = readme.split("\n\n")[:3]
    assert title == "# envlab"
    assert len(paragraph.split()) < 120
    assert picture.startswith("![")


def test_start_is_two_blocks_and_comes_first(readme):
    told = sections(readme)
    assert next(iter(told)) == "Start"
    first, second = blocks(told["Start"], "sh")
    assert blocks(readme, "sh")[:2] == [first, second]
    assert [line for line in first.splitlines() if "pip install" in line] == ["pip install ."]
    assert first.splitlines()[-1] == "envlab design"
    assert "pip install '.[test]'" in second
    assert "pytest" in second.splitlines()[-1]


def test_the_moments_follow_and_then_the_cautions(readme):
    headings = list(sections(readme))
    assert headings[1:6] == [
        "Before you order the board",
        "The board is back",
        "Before the night",
        "Into the firmware",
        "Take care",
    ]


def test_cautions_name_what_can_hurt(readme):
    care = sections(readme)["Take care"]
    for word in ("photosensitive", "fuse at the pack", "below 0 °C", "moisture", "skin", "eyes", "playback"):
        assert word in care
    assert "no medical clearance" in care
    assert "licensed" in care


@pytest.fixture(scope="module")
def evening(readme, desk, run) -> Path:
    """The desk after every command that stands below the section Start, run as printed."""
    path = f"{Path(sys.executable).parent}:/usr/bin:/bin"
    for line in later_commands(readme):
        run("sh", "-ec", line, cwd=desk, env={"PATH": path})
    return desk


def later_commands(text: str) -> list[str]:
    """Return the commands below the section Start, but for the one that does not end by itself."""
    printed = blocks(text.partition("## Before you order the board")[2], "sh")
    lines = [line for block in printed for line in block.splitlines()]
    assert STAYS in lines
    # A machine without CMake builds with its own tools, and the README does not promise otherwise.
    without = not shutil.which("cmake") and os.environ.get("CI") != "true"
    return [line for line in lines if line != STAYS and not (without and line.startswith("cmake "))]


def test_commands_run_and_write_where_they_say(readme, evening):
    told = [shlex.split(line) for line in later_commands(readme)]
    outs = [words[words.index("--out") + 1] for words in told if "--out" in words]
    assert len(outs) >= 4
    assert all((evening / out).exists() for out in outs)


def named_in_rows(section: str) -> set[str]:
    """Return the files in the first column of a table; a bare ending belongs to the name before it."""
    names: list[str] = []
    for row in re.findall(r"^\| (`[^|]+) \|", section, re.MULTILINE):
        for name in re.findall(r"`([\w.]+)`", row):
            names.append(Path(names[-1]).stem + name if name.startswith(".") else name)
    return set(names)


def test_the_results_are_those_of_the_table(readme, evening):
    named = named_in_rows(sections(readme)["Before you order the board"])
    # A machine without a browser prints no PDF, and the README says so.
    there = {path.name for path in (evening / "my-night").iterdir()} | {"report.pdf"}
    assert named == there


def test_the_first_command_of_all_runs_as_printed(readme, desk, tmp_path, monkeypatch):
    """The whole parade takes a minute, and CI runs it; here the same words, on a small parade."""
    (command,) = [
        line for line in blocks(sections(readme)["Start"], "sh")[0].splitlines() if "envlab" in line
    ]
    small = tmp_path / demo_design().name
    shutil.copy(small_parade(desk), small)
    # The report tells the demos by their own files: loaded first, it keeps the function replaced here.
    importlib.import_module("envlab.report.facts")
    monkeypatch.setattr("envlab.shipped.demo_design", lambda *_: small)
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, shlex.split(command)[1:])
    assert result.exit_code == 0, result.output
    assert (tmp_path / "lantern-parade" / "report.html").is_file()


def test_the_python_that_is_printed_runs(readme, evening, run, python):
    printed = blocks(readme, "python")
    assert len(printed) == 3
    for code in printed:
        run(python, "-W", "error", "-c", code, cwd=evening)
    assert (evening / "song.mp4").stat().st_size > 10_000


def test_verbs_and_options_that_are_named_exist(readme):
    told = FENCED.sub("", readme)
    named = re.findall(r"`envlab ([a-z-]+)", told)
    assert set(named) <= set(main.commands)
    known = {option for verb in main.commands.values() for part in verb.params for option in part.opts}
    assert set(re.findall(r"`(--[a-z-]+)", told)) <= known | {"--help"}


def test_every_verb_is_told_of(readme):
    for verb in main.commands:
        assert f"envlab {verb}" in readme, verb


def test_the_statuses_are_those_of_the_help(readme):
    rows = re.findall(r"^\| (\d+) \|", sections(readme)["The command"], re.MULTILINE)
    told = re.findall(r"^  (\d+) ", EXIT_WORDS, re.MULTILINE)
    assert rows == told == ["0", *(str(status) for status in STATUSES)]


@pytest.mark.parametrize("paper", ["README.md", "DEVELOPERS.md"])
def test_links_and_pictures_lead_somewhere(checkout, paper):
    text = (checkout / paper).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        file, _, anchor = target.partition("#")
        path = checkout / (file or paper)
        assert path.is_file(), target
        if anchor:
            assert anchor in anchors(path.read_text(encoding="utf-8")), target


def anchors(text: str) -> set[str]:
    """Return where links into a paper may lead: its headings in small letters, without signs."""
    headings = re.findall(r"^#+ (.+)$", FENCED.sub("", text), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def test_every_picture_is_shown_and_has_words_for_those_who_do_not_see_it(checkout, readme):
    shown = re.findall(r"!\[([^\]]*)\]\((\.assets/[\w.]+)\)", readme)
    assert all(len(words.split()) > 5 for words, _ in shown)
    assert {file for _, file in shown} == {f".assets/{p.name}" for p in (checkout / ".assets").glob("*.png")}


def test_the_readme_stays_short(readme):
    assert len(FENCED.sub("", readme).split()) < 2100


def without_map(text: str, head: str) -> tuple[str, str]:
    """A text without the table that begins with this head, and that table's rows."""
    before, found, after = text.partition(head)
    assert found, head
    rows, end, rest = after.partition("\n\n")
    return before + end + rest, rows


def test_files_named_in_developers_are_there(checkout):
    text = (checkout / "DEVELOPERS.md").read_text(encoding="utf-8")
    for name in re.findall(r"`((?:envlab|tests|audio_samples)/[\w/.]+)`", text):
        assert (checkout / name).exists(), name
    today, _, moved = text.partition("| 0.1 | 0.2.0 |\n|---|---|\n| `study/")
    assert moved, "the map of modules that moved"
    today, newly_moved = without_map(today, "| 0.2 | 0.3.0 |\n|---|---|\n")
    for name in re.findall(r"^\| `([\w/.]+)`", today, re.MULTILINE):
        if name.endswith((".py", "/")):
            assert (checkout / "envlab" / name).exists(), name
    for gone, place in re.findall(r"^\| `([\w/.]+)`.*\| `([\w/.]+)` \|$", newly_moved, re.MULTILINE):
        assert (checkout / "envlab" / place).exists(), place
        # A file that gave away some of its names, "file: names", stays; one that moved as a whole is gone.
        stays = f"| `{gone}`: " in newly_moved
        assert (checkout / "envlab" / gone).exists() is stays, gone
    # Of the older map the right-hand side is there; what stands on its left is gone.
    for row in re.findall(r"^\|.+\| (.+) \|$", "| `study/" + moved, re.MULTILINE):
        for name in re.findall(r"`([\w/.]+(?:\.py|/))`", row):
            assert list((checkout / "envlab").glob(f"**/{name.rstrip('/')}")), name
