"""The folder that builds as it is: for this computer and for another processor, as C99 and as C++11."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest
from firmware.targets.elf import read_elf32
from reference.c_compilers import PEDANTIC, find_program, run

from envlab.board_firmware.folder import FIRMWARE_NAMES, firmware_folder
from envlab.design_file import read_design
from envlab.digital.auto_level import AutoLevel, OffsetSteps
from envlab.files.whole import write_folder
from envlab.firmware.export import check_firmware
from envlab.shipped import demo_design

LEVELS = {"fixed": None, "steps": OffsetSteps(), "automatic": AutoLevel()}


@pytest.fixture(scope="module")
def chain():
    return read_design(demo_design())


@pytest.fixture(scope="module", params=list(LEVELS))
def folder(request, chain, tmp_path_factory) -> Path:
    place = tmp_path_factory.mktemp("project") / "yoke"
    files = firmware_folder(chain, "brightness_table", LEVELS[request.param], project=True)
    write_folder(place, files)
    return place


@pytest.fixture(scope="module")
def cmake() -> str:
    return find_program("cmake")


def built(cmake: str, folder: Path, build: Path, *more: str | Path) -> Path:
    """Return the build folder, configured and built with every warning an error."""
    run(cmake, "-S", folder, "-B", build, "-DCMAKE_C_FLAGS=" + " ".join(PEDANTIC), *more)
    run(cmake, "--build", build)
    return build


def test_it_builds_and_plays_at_the_desk(cmake, folder, tmp_path):
    place = built(cmake, folder, tmp_path / "build")
    one, two = (run(place / name).splitlines() for name in ("one_loop", "two_tasks"))
    sums = [int(line.split()[0]) for line in one]
    # Eight seconds at 100 frames: three of quiet, then two strokes a second that rise and fall.
    assert len(one) == 800
    assert one == two
    assert sum(sums[:300]) == 0
    half = max(sums) / 2
    assert half > 500
    assert 9 <= sum(early < half <= late for early, late in pairwise(sums)) <= 11
    assert sum("#" in line for line in one) > 100


def test_it_builds_for_another_processor(cmake, folder, tmp_path):
    find_program("arm-none-eabi-gcc")
    place = tmp_path / "build"
    run(cmake, "-S", folder, "-B", place, "--toolchain", folder / "arm-cortex-m0.cmake")
    run(cmake, "--build", place)
    for name in ("one_loop", "two_tasks"):
        symbols = read_elf32(place / name).symbols
        assert {"envlab_boot_check", "lights_show", "hand_over_read", "main"} <= symbols.keys()


@pytest.mark.parametrize(
    ("compiler", "flags"),
    [
        ("gcc", ("-std=c99",)),
        ("gcc", ("-x", "c++", "-std=c++11")),
        ("avr-gcc", ("-std=c99", "-mmcu=atmega328p")),
        ("avr-gcc", ("-x", "c++", "-std=c++11", "-mmcu=attiny85")),
        ("arm-none-eabi-gcc", ("-x", "c++", "-std=c++11", "-mcpu=cortex-m0", "-mthumb")),
    ],
    ids=lambda part: part if isinstance(part, str) else " ".join(part),
)
def test_every_file_compiles_as_c99_and_as_cpp11(compiler, flags, folder, tmp_path):
    program = find_program(compiler)
    for source in sorted(folder.glob("*.c")):
        if "desk" in source.name and compiler != "gcc":
            continue  # for the computer at the desk
        run(program, *flags, "-Os", *PEDANTIC, "-Wshadow", "-c", source, "-o", tmp_path / "part.o")


def test_the_folder_is_that_of_one_export(folder):
    check_firmware(folder)
    marks = {
        path.name: re.findall(r"#define ENVLAB_MARK (0x[0-9A-F]{8})ul", path.read_text("ascii"))
        for path in [*folder.glob("*.c"), *folder.glob("*.h")]
    }
    assert len({tuple(found) for found in marks.values()}) == 1
    assert all(len(found) == 1 for found in marks.values())
    assert {path.name for path in folder.iterdir()} - set(FIRMWARE_NAMES) == {
        f"{name}.{ending}"
        for name in ("brightness_table", "brightness_table_full")
        for ending in ("h", "csv", "json", "bin")
    }


@pytest.mark.parametrize("stranger", ["lights.c", "lantern.h", "envlab_runtime.c", "brightness_table.h"])
def test_a_file_of_another_export_stops_the_compiler(stranger, chain, folder, tmp_path):
    other = firmware_folder(chain, "brightness_table", OffsetSteps(4, 2.0, 2.0), project=True)
    mixed = tmp_path / "mixed"
    shutil.copytree(folder, mixed)
    (mixed / stranger).write_bytes(other[stranger])
    (mixed / "use.c").write_text('#include "brightness_table.h"\n#include "envlab_parameters.h"\n')
    told = ""
    for source in mixed.glob("*.c"):
        command = ["gcc", "-std=c99", "-fsyntax-only", source]
        told += subprocess.run(command, capture_output=True, text=True, check=False).stderr
    assert "is of another export than a file before it" in told


def test_an_older_export_in_the_folder_leaves_no_part_behind(chain, tmp_path):
    place = tmp_path / "yoke"
    write_folder(place, firmware_folder(chain, "brightness_table", None, project=True))
    (place / "my_board.c").write_text("int mine;\n")
    write_folder(place, firmware_folder(chain, "brightness_table", None), replaces=FIRMWARE_NAMES)
    left = {path.name for path in place.iterdir()}
    assert "lights.c" not in left
    assert "my_board.c" in left


def test_text_for_people_names_every_caution(folder):
    text = (folder / "READ_ME_FIRST.txt").read_text("ascii")
    for word in ("seizures", "fuse", "0 degrees", "cloth and skin", "eyes", "where you live", "licensed"):
        assert word in text
    assert os.linesep.strip("\n") == "" or "\r" not in text
