"""The flash guard in C against its Python twin, shown duty and whole state, on real instruction sets."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
from firmware import guard_vectors as guard
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.elf import read_elf32
from firmware.targets.machines import ONE_OF_EACH_KIND
from firmware.targets.runtime import runtime_driver
from reference.c_compilers import PEDANTIC, run

from envlab.digital.guard.guard_words import guard_words, nearest_code
from envlab.firmware.headers.guard_macros import guard_text

FRAMES = 20_000
FEW_FRAMES = 4000
MEASURED = ("8 bit, capped", "8 bit, full", "16 bit, capped", "16 bit, full, ticks of 5 frames")


def guard_driver(files: dict[str, str], folder) -> Driver:
    return runtime_driver(
        guard.DRIVER,
        files,
        folder,
        input_bytes=2,
        record_bytes=guard.RECORD.itemsize,
        parts=("envlab_guard.c",),
    )


def first_difference(records: bytes, expected: np.ndarray) -> str:
    got = np.frombuffer(records, guard.RECORD)
    wrong = np.flatnonzero(got != expected)
    return "" if not wrong.size else f"frame {wrong[0]}: {got[wrong[0]]}, the twin has {expected[wrong[0]]}"


def check_on(machine, case: str, frames: int, folder) -> None:
    require(machine)
    words = guard.CASES[case]
    duties = guard.lights(words, frames)
    driver = guard_driver(guard.guard_files(words), folder)
    records = run_machine(machine, driver, duties.astype("<u2").tobytes(), folder)
    expected = guard.expected(words, duties)
    assert first_difference(records, expected) == ""
    assert (expected["shown"] != duties).mean() > 0.01, "these lights do not make the guard act"


@pytest.mark.parametrize("case", ["8 bit, capped", "16 bit, limit over the frame"])
@pytest.mark.parametrize("name", MACHINES)
def test_shown_duty_and_state_are_the_twins_after_every_frame(name, case, tmp_path):
    check_on(MACHINES[name], case, FEW_FRAMES, tmp_path)


@pytest.mark.parametrize("case", guard.CASES)
def test_every_depth_and_rate_is_the_twins_where_int_has_16_bit(case, tmp_path):
    check_on(MACHINES["avr-multiplier"], case, FEW_FRAMES, tmp_path)


@pytest.mark.parametrize("bits", range(8, 17))
@pytest.mark.parametrize("name", ["host-gcc-undefined", "avr-multiplier"])
def test_every_duty_is_rounded_to_its_nearest_code(name, bits, tmp_path):
    machine = MACHINES[name]
    require(machine)
    driver = runtime_driver(
        Path(__file__).parent / "guard_light_driver.c",
        guard.guard_files(guard_words(30.0, bits=bits)),
        tmp_path,
        input_bytes=2,
        record_bytes=4,
        parts=(),
    )
    duties = np.arange(65_536)
    records = run_machine(machine, driver, duties.astype("<u2").tobytes(), tmp_path)
    light, back = np.frombuffer(records, "<u2").astype(np.int64).reshape(-1, 2).T
    up = 0 if bits == 8 else 16 - bits
    assert np.array_equal(light >> up, [nearest_code(duty, bits) for duty in range(65_536)])
    assert np.array_equal([nearest_code(int(duty), bits) for duty in back], light >> up)


@pytest.mark.slow_firmware
@pytest.mark.parametrize("case", guard.CASES)
@pytest.mark.parametrize("name", MACHINES)
def test_long_lights_are_the_twins_on_every_machine(name, case, tmp_path):
    check_on(MACHINES[name], case, FRAMES, tmp_path)


@pytest.mark.parametrize("name", ONE_OF_EACH_KIND)
def test_a_guard_that_lets_one_change_more_through_is_caught(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    words = guard.CASES["8 bit, capped"]
    files = guard.guard_files(words)
    right = files["envlab_guard.c"]
    files["envlab_guard.c"] = right.replace("#define CHANGES 7u", "#define CHANGES 8u")
    assert files["envlab_guard.c"] != right
    duties = guard.lights(words, 3000)
    records = run_machine(machine, guard_driver(files, tmp_path), duties.astype("<u2").tobytes(), tmp_path)
    assert "the twin has" in first_difference(records, guard.expected(words, duties))


@pytest.mark.parametrize("case", MEASURED)
def test_cost_on_the_8_bit_machine(case, tmp_path):
    """At most 300 bytes of code with the start, 32 of state, 350 cycles a frame, at -Os."""
    machine = MACHINES["avr-multiplier"]
    require(machine)
    words = guard.CASES[case]
    driver = guard_driver(guard.guard_files(words), tmp_path)
    image = machine.build(driver, tmp_path)
    sizes = read_elf32(tmp_path / f"{machine.name}-envlab_guard.o").sizes
    assert sum(sizes.values()) <= 300, sizes
    assert read_elf32(image.path).sizes["state"] <= 32
    duties = np.concatenate((guard.lights(words, FRAMES), worst_lights(words)))
    cost = machine.measure(image, duties.astype("<u2").tobytes(), ("envlab_guard",))["envlab_guard"]
    assert cost.most_cycles <= 350, cost


def worst_lights(words) -> np.ndarray:
    """Jumps over the most cells, which take the longest, with and without a change that is held."""
    full = words.top << 8 if words.bits == 8 else words.top
    second = words.reach * words.frames_per_tick
    rows = [np.tile(np.repeat([full, 0], gap), 2 * second // gap) for gap in (1, 2, max(2, second // 9))]
    rng = np.random.default_rng(8)
    return np.concatenate([*rows, rng.integers(0, 65_536, 8000), rng.choice([0, full // 2, full], 8000)])


def test_a_design_without_guard_says_so_in_capitals_and_does_not_compile_one(tmp_path, c_compiler):
    text = guard_text(None)
    assert "NO FLASH GUARD" in text
    assert "#define ENVLAB_GUARD 0 " in text
    for name, content in {**guard.guard_files(guard.CASES["12 bit"]), "envlab_parameters.h": text}.items():
        (tmp_path / name).write_text(content, "ascii")
    done = subprocess.run(
        [c_compiler, "-c", "envlab_guard.c"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode != 0
    assert "exported without the flash guard" in done.stderr


def test_the_guard_is_c99_and_cpp11(tmp_path, c_compiler, cpp_compiler):
    for words in guard.CASES.values():
        for name, content in guard.guard_files(words).items():
            (tmp_path / name).write_text(content, "ascii")
        run(c_compiler, "-std=c99", *PEDANTIC, "-c", "envlab_guard.c", cwd=tmp_path)
        run(cpp_compiler, "-x", "c++", "-std=c++11", *PEDANTIC, "-c", "envlab_guard.c", cwd=tmp_path)
