"""The folder of results: whole or not at all, and nothing of an earlier design left beside it."""

from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import matplotlib.image
import pytest
from reference.small_specification import Case

from envlab.errors import FileError
from envlab.files import whole as files
from envlab.files.whole import write_folder
from envlab.plot.schematic.schematic import schematic_svg
from envlab.report.folder import RESULTS, chosen_design_text, result_files
from envlab.study.sweep.choice import choose


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_all_results_are_known_by_name(case: Case, tmp_path: Path) -> None:
    files = result_files(case.specification, case.choice, tmp_path / "out", "<p>page</p>", with_table=True)
    # Tables of its channels only where a design has a colour: tests/report/test_power_section.py.
    assert set(files) == set(RESULTS) - {"report.pdf", "brightness_table_rgb.h", "brightness_table_rgb.csv"}
    assert files["report.html"] == b"<p>page</p>"


def test_the_parts_that_the_sweep_chose_are_marked(case: Case, tmp_path: Path) -> None:
    files = result_files(case.specification, case.choice, tmp_path / "out", "", with_table=True)
    rows = list(csv.DictReader(io.StringIO(files["parts.csv"].decode())))
    assert {row["reference"] for row in rows if row["chosen_by"] == "sweep"} == {"R3", "R4", "R5"}
    assert {row["chosen_by"] for row in rows} == {"sweep", ""}


def test_the_schematic_lies_there_as_drawing_and_as_picture(case: Case, tmp_path: Path) -> None:
    files = result_files(case.specification, case.choice, tmp_path / "out", "", with_table=True)
    assert files["schematic.svg"].decode() == schematic_svg(case.choice.chain)
    ElementTree.fromstring(files["schematic.svg"])
    picture = matplotlib.image.imread(io.BytesIO(files["schematic.png"]))
    assert picture.shape[1] > 1000


def test_what_an_earlier_run_left_goes_and_other_files_stay(tmp_path: Path) -> None:
    """No table of a design that was given up, and no PDF of an old report, beside the new one."""
    folder = tmp_path / "out"
    write_folder(folder, {"report.html": b"old", "brightness_table.h": b"old", "report.pdf": b"old"})
    (folder / "notes.txt").write_text("mine")
    write_folder(folder, {"report.html": b"new"}, replaces=RESULTS)
    assert names(folder) == {"report.html", "notes.txt"}
    assert (folder / "report.html").read_bytes() == b"new"


def test_a_choice_that_flashes_too_much_takes_the_old_table_away(case: Case, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    write_folder(
        folder, result_files(case.specification, case.choice, folder, "", with_table=True), replaces=RESULTS
    )
    assert "brightness_table.h" in names(folder)
    judged = ["violation", "blocking_target", "flash_safe", "rank"]
    flashing = choose(case.choice.table.drop(columns=judged).assign(flashes_per_s=5.0), case.specification)
    assert not flashing.flash_safe
    write_folder(
        folder, result_files(case.specification, flashing, folder, "", with_table=False), replaces=RESULTS
    )
    assert not {"brightness_table.h", "brightness_table.csv"} & names(folder)


def test_a_file_that_cannot_be_written_leaves_the_folder_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "out"
    write_folder(folder, {"one": b"old", "two": b"old"})
    whole = files._keep

    def full(file: Any, content: bytes) -> None:
        if Path(file.name).name == "two":
            raise OSError(28, "No space left on device")
        whole(file, content)

    monkeypatch.setattr(files, "_keep", full)
    with pytest.raises(FileError, match="No space left"):
        write_folder(folder, {"one": b"new", "two": b"new"}, replaces=("one", "two", "three"))
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {"one": b"old", "two": b"old"}
    assert names(tmp_path) == {"out"}


def test_two_folders_may_each_have_a_file_of_one_name(case: Case, tmp_path: Path) -> None:
    first, second = tmp_path / "loud" / "song.wav", tmp_path / "soft" / "song.wav"
    clips = tuple(
        replace(case.specification.clips[0], source=path, level_db_spl=level)
        for path, level in ((first, 92.0), (second, 72.0), (second, 60.0))
    )
    source = case.specification.source_text.partition("[[clips]]")[0] + "".join(
        f"[[clips]]\nfile = {str(path)!r}\nlevels_db_spl = {levels}\n"
        for path, levels in ((first, [92.0]), (second, [72.0, 60.0]))
    )
    asked = replace(case.specification, clips=clips, source_text=source)
    written = tomllib.loads(chosen_design_text(asked, case.choice, tmp_path / "out"))
    found = [(table["file"], table["levels_db_spl"]) for table in written["clips"]]
    assert found == [("../loud/song.wav", [92.0]), ("../soft/song.wav", [72.0, 60.0])]
