"""The layout of light in C against its twin on every machine: what each place has, and where it stands."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from firmware import layout_vectors as vectors
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.elf import read_elf32
from firmware.targets.machines import AVR_LEVELS, ONE_OF_EACH_KIND, SIXTEEN_BIT_INT
from firmware.targets.runtime import runtime_driver
from reference.c_compilers import PEDANTIC, run

COUNT = 1500
TABLES = ("ranks", "rises")
ON_ALL = ("travelling", "ends of the words")
ON_FEW = [case for case in vectors.CASES if case not in ON_ALL]
WATCHED = ("host-gcc-undefined", "host-gcc-address", *SIXTEEN_BIT_INT)


def slow_but(names: Iterable[str], *kept: str) -> list:
    """Parameters, all but some of them for the slow tier."""
    return [one if one in kept else pytest.param(one, marks=pytest.mark.slow_firmware) for one in names]


def layout_driver(files: dict[str, str], table, folder) -> Driver:
    return runtime_driver(
        vectors.DRIVER,
        files,
        folder,
        input_bytes=2,
        record_bytes=vectors.record(table).itemsize,
        parts=("envlab_layout.c",),
    )


def check_on(machine, case: str, folder, change=("", "")) -> str:
    require(machine)
    table = vectors.CASES[case]
    given = vectors.duties(table, COUNT)
    files = vectors.layout_files(table)
    right = files["envlab_layout.c"]
    files["envlab_layout.c"] = right.replace(*change) if change[0] else right
    assert (files["envlab_layout.c"] != right) == bool(change[0])
    driver = layout_driver(files, table, folder)
    data = run_machine(machine, driver, given.astype("<u2").tobytes(), folder)
    got, wanted = np.frombuffer(data, vectors.record(table)), vectors.expected(table, given)
    wrong = np.flatnonzero(got != wanted)
    return "" if not wrong.size else f"step {wrong[0]}: {got[wrong[0]]}, the twin has {wanted[wrong[0]]}"


@pytest.mark.parametrize("case", ON_ALL)
@pytest.mark.parametrize("name", MACHINES)
def test_every_place_has_the_twins_duty_at_every_duty(name, case, tmp_path):
    assert check_on(MACHINES[name], case, tmp_path) == ""


@pytest.mark.parametrize("case", ON_FEW)
@pytest.mark.parametrize("name", slow_but(WATCHED, "host-gcc-undefined", "avr-multiplier"))
def test_the_other_layouts_where_int_has_16_bit_and_with_arithmetic_watched(name, case, tmp_path):
    assert check_on(MACHINES[name], case, tmp_path) == ""


@pytest.mark.parametrize("case", slow_but((*ON_ALL, "257 ranks"), "ends of the words"))
@pytest.mark.parametrize("level_name", AVR_LEVELS)
def test_every_level_of_the_8_bit_compiler(level_name, case, tmp_path):
    assert check_on(AVR_LEVELS[level_name], case, tmp_path) == ""


@pytest.mark.parametrize(
    ("case", "change"),
    [
        ("ends of the words", ("duty > start", "duty >= start + 2u")),
        ("from end, four ranks, all lit", ("rise > ENVLAB_LAYOUT_SPAN", "rise > 0xFFFFu")),
        ("ends of the words", ("part < ENVLAB_LAYOUT_STEP", "part <= ENVLAB_LAYOUT_STEP")),
        ("travelling", (">= ENVLAB_FRAME_PIXELS", "> ENVLAB_FRAME_PIXELS")),
    ],
)
@pytest.mark.parametrize("name", slow_but(ONE_OF_EACH_KIND, "host-clang-O2", "avr-multiplier"))
def test_a_wrong_line_is_caught(name, case, change, tmp_path):
    assert "the twin has" in check_on(MACHINES[name], case, tmp_path, change)


@pytest.mark.parametrize("case", vectors.CASES)
def test_it_is_c99_and_cpp11(case, tmp_path, c_compiler, cpp_compiler):
    for name, text in vectors.layout_files(vectors.CASES[case]).items():
        (tmp_path / name).write_text(text, "ascii")
    strict = (*PEDANTIC, "-Wshadow", "-Wcast-qual", "-c", "envlab_layout.c")
    run(c_compiler, "-std=c99", *strict, cwd=tmp_path)
    run(cpp_compiler, "-x", "c++", "-std=c++11", *strict, cwd=tmp_path)


def test_a_design_without_a_layout_does_not_compile_one(tmp_path, c_compiler):
    files = vectors.layout_files(vectors.CASES["share"])
    files["envlab_parameters.h"] = "#define ENVLAB_FRAME_PIXELS 24u\n"
    for name, text in files.items():
        (tmp_path / name).write_text(text, "ascii")
    with pytest.raises(AssertionError, match="exported with all pixels alike: leave"):
        run(c_compiler, "-c", "envlab_layout.c", cwd=tmp_path)


@pytest.mark.parametrize("name", ["avr-multiplier", "avr-no-multiplier"])
def test_at_most_250_bytes_of_code_and_four_of_state_on_the_8_bit_machine(name, tmp_path):
    """Without the table, which is the design's: a byte a pixel and four a rank."""
    machine = MACHINES[name]
    require(machine)
    for number, case in enumerate(vectors.CASES):
        folder = tmp_path / str(number)
        folder.mkdir()
        table = vectors.CASES[case]
        image = machine.build(layout_driver(vectors.layout_files(table), table, folder), folder)
        sizes = read_elf32(folder / f"{machine.name}-envlab_layout.o").sizes
        tables = {key: size for key, size in sizes.items() if key.removeprefix("envlab_layout_") in TABLES}
        each = 2 if table.ranks > 256 else 1
        assert sum(tables.values()) == each * table.pixels + 4 * table.ranks
        code = sum(sizes.values()) - sum(tables.values())
        assert 0 < code <= 250, (case, sizes)
        if table.travels:
            assert read_elf32(image.path).sizes["state"] == 4
