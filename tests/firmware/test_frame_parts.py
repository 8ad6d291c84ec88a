"""What works on a frame of pixels, and the check of the table, against their twins on every machine."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from firmware import frame_vectors
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.machines import AVR_LEVELS, ONE_OF_EACH_KIND
from firmware.targets.runtime import runtime_driver

FRAMES = 600


def frame_driver(case: frame_vectors.FrameCase, files: dict[str, str], folder: Path) -> Driver:
    dither = ("envlab_dither.c",) if case.words.dither_bits else ()
    return runtime_driver(
        frame_vectors.DRIVER,
        files,
        folder,
        input_bytes=case.sizes[0],
        record_bytes=case.sizes[1],
        parts=("envlab_runtime.c", "envlab_frame.c", "envlab_boot.c", *dither),
    )


def check_twin(machine, case_name, folder):
    case = frame_vectors.CASES[case_name]
    frames = frame_vectors.stimuli(case, FRAMES)
    wanted = frame_vectors.expected(case, frames)
    driver = frame_driver(case, case.files, folder)
    got = np.frombuffer(run_machine(machine, driver, frames.tobytes(), folder), case.record)
    for name in case.record.names:
        np.testing.assert_array_equal(got[name], wanted[name], err_msg=name)


@pytest.mark.parametrize("case_name", frame_vectors.CASES)
@pytest.mark.parametrize("name", MACHINES)
def test_frame_limit_depth_dither_and_table_check_are_the_twins(name, case_name, tmp_path):
    require(MACHINES[name])
    check_twin(MACHINES[name], case_name, tmp_path)


@pytest.mark.parametrize("case_name", ["8 bit, dithered", "16 bit"])
@pytest.mark.parametrize("level_name", AVR_LEVELS)
def test_every_level_of_the_8_bit_compiler_shows_the_twins_codes(level_name, case_name, tmp_path):
    require(AVR_LEVELS[level_name])
    check_twin(AVR_LEVELS[level_name], case_name, tmp_path)


@pytest.mark.parametrize("case_name", frame_vectors.CASES)
def test_the_stimuli_go_over_the_limit_and_stay_under_it(case_name):
    case = frame_vectors.CASES[case_name]
    wanted = frame_vectors.expected(case, frame_vectors.stimuli(case, FRAMES))
    seldom = case_name == "9 bit, never limited"
    assert (wanted["limited"] == 1).sum() == 0 if seldom else (wanted["limited"] == 1).sum() > 50
    assert (wanted["limited"] == 0).sum() > 100
    assert (wanted["first"].sum(axis=1) <= case.words.limit).all()
    assert (wanted["second"].sum(axis=1) <= case.words.limit).all()
    assert (wanted["first"] != wanted["second"]).any() == (case.words.dither_bits > 0)


@pytest.mark.parametrize("name", ONE_OF_EACH_KIND)
def test_one_changed_byte_of_the_table_is_noticed_on_the_machine(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    case = frame_vectors.CASES["8 bit, dithered"]
    codes = frame_vectors.twin_vectors.CASES["parade"].codes
    files = dict(case.files)
    code = f" {codes[40]}u,"
    assert files["envlab_table.h"].count(code) == 1
    files["envlab_table.h"] = files["envlab_table.h"].replace(code, f" {codes[40] ^ 256}u,")
    stimuli = frame_vectors.stimuli(case, 20).tobytes()
    records = run_machine(machine, frame_driver(case, files, tmp_path), stimuli, tmp_path)
    assert np.frombuffer(records, case.record)["whole"].tolist() == 20 * [0]
