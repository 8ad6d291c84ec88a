"""Names of files that would be formulas, markup, code or commands: what is written from them stays words."""

from __future__ import annotations

import csv
import os
import re
import shlex
import subprocess
import sys
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path

import pytest
import soundfile
from reference.c_compilers import find_program

from envlab.shipped import shipped_folder

# "/" cannot stand in a file's name; all else that ends a text, a comment, a cell or a command can.
CLIP = "=1+1<svg onload=alert(1)>*&'\"`;$(x)\\.wav"
DESIGN = "@night<script>alert(2)<!--*!&'\"\\,`;.toml"
TEXT = """
[[clips]]
file = '''{clip}'''
levels_db_spl = [92]
tags = ["beat"]

[sweep.detector]
release_ohm = ["100k", "220k"]

[targets]
flashes_per_s = {{ at_most = 3, scale = 1 }}

[tolerance]
boards = 4
"""
VERBS = {
    "design": ("--out", "out", "--accept-misses"),
    "tolerance": ("--out", "out/boards.csv"),
    "simulate": ("--out", "out/nodes.csv"),
    "table": ("--out", "firmware", "--accept-misses"),
}


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder in which every verb has run on files of such names."""
    folder = tmp_path_factory.mktemp("hostile")
    samples, rate_hz = soundfile.read(shipped_folder("audio_samples") / "drum_line.flac")
    soundfile.write(folder / CLIP, samples[: 2 * rate_hz], rate_hz, format="WAV", subtype="PCM_16")
    (folder / DESIGN).write_text(TEXT.format(clip=CLIP))
    for verb, words in VERBS.items():
        done = subprocess.run(
            [sys.executable, "-m", "envlab", verb, DESIGN, *words],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )
        assert done.returncode == 0, f"{verb}: {done.stderr}"
    return folder


def files(folder: Path, *endings: str) -> list[Path]:
    found = [path for path in sorted(folder.rglob("*")) if path.suffix in endings and path.name != CLIP]
    assert found
    return found


@pytest.mark.slow
def test_no_cell_of_a_table_is_a_formula(written: Path) -> None:
    cells, named = 0, 0
    for path in files(written, ".csv"):
        for row in csv.reader(path.read_text(encoding="utf-8").splitlines(keepends=True)):
            for cell in row:
                is_number = re.fullmatch(r"[-+]?(\d|\.\d|inf)[\d.e+-]*", cell) is not None
                assert is_number or not cell.startswith(("=", "+", "-", "@", "\t", "\r")), (
                    f"{path.name}: {cell!r}"
                )
                cells, named = cells + 1, named + ("alert" in cell)
    assert cells > 1000
    assert named > 0, "the name does stand in a table"


class Elements(HTMLParser):
    """What a browser would make of a page: its elements, their attributes, and the words."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, list[tuple[str, str | None]]]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, attrs))

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.mark.slow
def test_no_name_becomes_an_element_of_the_page(written: Path) -> None:
    (page,) = files(written, ".html")
    seen = Elements()
    seen.feed(page.read_text(encoding="utf-8"))
    assert len(seen.found) > 100
    assert {tag for tag, _ in seen.found}.isdisjoint({"script", "iframe", "object", "embed", "form"})
    assert [name for _, attributes in seen.found for name, _ in attributes if name.startswith("on")] == []
    words = "".join(seen.words)
    assert Path(CLIP).stem in words
    assert DESIGN.removesuffix(".toml") in words


@pytest.mark.slow
def test_the_command_in_the_page_is_one_command(written: Path) -> None:
    (page,) = files(written, ".html")
    seen = Elements()
    seen.feed(page.read_text(encoding="utf-8"))
    (command,) = [words for words in seen.words if words.startswith("envlab design ")]
    assert shlex.split(command) == ["envlab", "design", DESIGN]


@pytest.mark.slow
def test_drawings_are_whole_and_run_nothing(written: Path) -> None:
    for path in files(written, ".svg"):
        elements = list(ET.parse(path).getroot().iter())
        assert len(elements) > 50
        for element in elements:
            assert not str(element.tag).endswith("script")
            assert not any(name.startswith("on") for name in element.attrib)


@pytest.mark.slow
@pytest.mark.parametrize("folder", ["out", "firmware"])
def test_headers_compile_whatever_the_files_were_called(written: Path, folder: str) -> None:
    for path in files(written / folder, ".h"):
        subprocess.run(
            [find_program("gcc"), "-std=c99", "-fsyntax-only", "-x", "c", "-I", str(path.parent), str(path)],
            check=True,
        )


@pytest.mark.slow
def test_the_written_design_reads_and_names_the_clip(written: Path) -> None:
    from envlab import read_specification

    (clip,) = read_specification(written / "out" / "design.toml").clips
    assert clip.path is not None
    assert clip.path.resolve() == (written / CLIP).resolve()


@pytest.mark.slow
def test_nothing_is_written_elsewhere(written: Path) -> None:
    assert {path.name for path in written.iterdir()} == {CLIP, DESIGN, "out", "firmware"}
    assert not [path for path in written.rglob("*") if "alert" in path.name and path.parent != written]
