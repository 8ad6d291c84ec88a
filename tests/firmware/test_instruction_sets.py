"""The firmware's runtime against its Python twin, whole state and output, on real instruction sets."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from firmware import twin_vectors
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.machines import AVR_LEVELS, ONE_OF_EACH_KIND
from firmware.targets.runtime import runtime_driver

from envlab.digital.fixed_kernels import level

READINGS = 100_000
FEW_READINGS = 5_000


@cache
def twin_stimuli_and_records(case_name: str) -> tuple[bytes, bytes]:
    case = twin_vectors.CASES[case_name]
    readings, offsets = twin_vectors.stimulus(case, READINGS)
    return (
        twin_vectors.stimulus_bytes(readings, offsets),
        twin_vectors.expected_bytes(case, readings, offsets),
    )


def few(case_name: str) -> tuple[bytes, bytes]:
    stimuli, expected = twin_stimuli_and_records(case_name)
    return (
        stimuli[: FEW_READINGS * twin_vectors.STIMULUS_BYTES],
        expected[: FEW_READINGS * twin_vectors.RECORD_BYTES],
    )


def twin_driver(files: dict[str, str], folder: Path) -> Driver:
    return runtime_driver(
        twin_vectors.DRIVER,
        files,
        folder,
        input_bytes=twin_vectors.STIMULUS_BYTES,
        record_bytes=twin_vectors.RECORD_BYTES,
    )


def first_difference(records: bytes, expected: bytes) -> str:
    if records == expected:
        return ""
    got, wanted = (np.frombuffer(data, twin_vectors.RECORD) for data in (records, expected))
    step = int(np.flatnonzero(got != wanted)[0])
    return f"step {step}: {got[step]} where the twin has {wanted[step]}"


@pytest.mark.parametrize("case_name", twin_vectors.CASES)
@pytest.mark.parametrize("name", MACHINES)
def test_state_duty_and_envelope_are_the_twins_after_every_reading(name, case_name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    stimuli, expected = twin_stimuli_and_records(case_name)
    driver = twin_driver(twin_vectors.CASES[case_name].files, tmp_path)
    assert first_difference(run_machine(machine, driver, stimuli, tmp_path), expected) == ""


@pytest.mark.parametrize("case_name", ["parade", "both clamps"])
@pytest.mark.parametrize("level_name", AVR_LEVELS)
def test_every_level_of_the_8_bit_compiler_gives_the_twins_records(level_name, case_name, tmp_path):
    machine = AVR_LEVELS[level_name]
    require(machine)
    stimuli, expected = few(case_name)
    driver = twin_driver(twin_vectors.CASES[case_name].files, tmp_path)
    assert first_difference(run_machine(machine, driver, stimuli, tmp_path), expected) == ""


@pytest.mark.parametrize("name", ONE_OF_EACH_KIND)
def test_a_look_up_rounded_one_unit_lower_is_caught(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    stimuli, expected = few("parade")
    files = dict(twin_vectors.CASES["parade"].files)
    right = files["envlab_products.h"]
    files["envlab_products.h"] = right.replace("128u", "127u")
    assert files["envlab_products.h"] != right
    records = run_machine(machine, twin_driver(files, tmp_path), stimuli, tmp_path)
    assert "where the twin has" in first_difference(records, expected)


def every_level_driver(folder: Path) -> tuple[Driver, np.ndarray]:
    segments = 254
    words = twin_vectors.CASES["parade"].words._replace(
        automatic=0,
        window_start=0,
        range_level=segments * 256,
        gate_open=0,
        gate_close=0,
        dim=65_535,
        mute_frames=1,
        fade_step=65_535,
    )
    codes = np.append(np.arange(segments + 1), segments) * 256
    files = twin_vectors.case_of_words("every level", words, codes).files
    driver = runtime_driver(
        Path(__file__).parent / "level_driver.c", files, folder, input_bytes=2, record_bytes=2
    )
    levels = np.array([level(envelope) for envelope in range(65_536)])
    return driver, np.minimum(levels, segments * 256)


@pytest.mark.parametrize("name", MACHINES)
def test_the_level_of_every_envelope_is_the_twins(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    driver, expected = every_level_driver(tmp_path)
    envelopes = np.arange(65_536).astype("<u2").tobytes()
    records = run_machine(machine, driver, envelopes, tmp_path)
    assert np.array_equal(np.frombuffer(records, "<u2"), expected)
