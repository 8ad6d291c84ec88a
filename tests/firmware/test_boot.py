"""What is asked at boot: right on every machine, and wrong as soon as a number or the arithmetic is."""

from __future__ import annotations

from pathlib import Path

import pytest
from firmware import twin_vectors
from firmware.host_build import build, feed
from firmware.targets import MACHINES, require, run_machine
from firmware.targets.machines import ONE_OF_EACH_KIND
from firmware.targets.runtime import runtime_driver
from firmware.test_hand_edits import changed_with_its_check

DRIVER = Path(__file__).parent / "boot_driver.c"
FINE, BROKEN_TABLE, WRONG_NUMBERS = [0, 1, 1], [1, 0, 1], [2, 1, 0]


def answers(machine_name: str, files: dict[str, str], folder: Path) -> list[int]:
    machine = MACHINES[machine_name]
    require(machine)
    parts = tuple(name for name in files if name.endswith(".c"))
    driver = runtime_driver(DRIVER, files, folder, input_bytes=1, record_bytes=3, parts=parts)
    return list(run_machine(machine, driver, b"\0", folder))


@pytest.mark.parametrize("case_name", ["parade", "even in counts", "ends of the words"])
@pytest.mark.parametrize("machine_name", MACHINES)
def test_all_is_fine_as_exported(machine_name, case_name, tmp_path):
    assert answers(machine_name, twin_vectors.CASES[case_name].files, tmp_path) == FINE


@pytest.mark.parametrize("machine_name", ONE_OF_EACH_KIND)
def test_one_changed_bit_of_the_table_is_named(machine_name, tmp_path):
    case = twin_vectors.CASES["parade"]
    files = dict(case.files)
    code = int(case.codes[-2])
    assert files["envlab_table.h"].count(f" {code}u, {code}u }}") == 0
    head, rows = files["envlab_table.h"].split("ENVLAB_ROM = {")
    files["envlab_table.h"] = head + "ENVLAB_ROM = {" + rows.replace(f"{code}u", f"{code ^ 0x8000}u", 1)
    assert files["envlab_table.h"] != case.files["envlab_table.h"]
    assert answers(machine_name, files, tmp_path)[:2] == BROKEN_TABLE[:2]


@pytest.fixture
def on_host(c_compiler, tmp_path):
    def ask(files: dict[str, str]) -> list[int]:
        for name, text in files.items():
            (tmp_path / name).write_text(text, "ascii")
        return list(feed(build(c_compiler, DRIVER, tmp_path, (1, 3)), b"\0"))

    return ask


# What the first 48 readings of a design show. The gate's and the level's slow numbers need minutes of music.
SHOWN = ("ATTACK_FACTOR", "RELEASE_FACTOR", "RANGE", "WINDOW_START", "FRAME_LIMIT")


@pytest.mark.parametrize("macro", SHOWN)
def test_numbers_changed_together_with_their_check_sum_still_show(macro, on_host):
    files = dict(twin_vectors.CASES["parade"].files)
    files["envlab_parameters.h"] = changed_with_its_check(files["envlab_parameters.h"], macro, add=-300)
    assert on_host(files) == WRONG_NUMBERS


@pytest.mark.parametrize(
    ("file", "right", "wrong"),
    [
        ("envlab_products.h", "+ 128u) >> 8", ") >> 8"),
        ("envlab_runtime.c", "target - now, ENVLAB_ATTACK_FACTOR", "target - now, ENVLAB_ATTACK_FACTOR - 1u"),
        ("envlab_frame.c", "factor - 1u", "factor"),
        ("envlab_runtime.c", "unsigned octave = 11u;", "unsigned octave = 10u;"),
    ],
)
def test_another_arithmetic_is_noticed(file, right, wrong, on_host):
    files = dict(twin_vectors.CASES["parade"].files)
    assert files[file].count(right) >= 1
    files[file] = files[file].replace(right, wrong)
    assert on_host(files) == WRONG_NUMBERS
