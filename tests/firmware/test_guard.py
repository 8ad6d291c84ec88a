"""The flash guard in C against its Python twin, shown duty and whole state, on real instruction sets."""

from __future__ import annotations

import numpy as np
import pytest
from firmware import guard_vectors as guard
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.machines import ONE_OF_EACH_KIND
from firmware.targets.runtime import runtime_driver

FRAMES = 20_000


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


@pytest.mark.parametrize("case", guard.CASES)
@pytest.mark.parametrize("name", MACHINES)
def test_shown_duty_and_state_are_the_twins_after_every_frame(name, case, tmp_path):
    machine = MACHINES[name]
    require(machine)
    words = guard.CASES[case]
    duties = guard.lights(words, FRAMES)
    records = run_machine(
        machine, guard_driver(guard.guard_files(words), tmp_path), duties.astype("<u2").tobytes(), tmp_path
    )
    expected = guard.expected(words, duties)
    assert first_difference(records, expected) == ""
    assert (expected["shown"] != duties).mean() > 0.02, "these lights do not make the guard act"


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
