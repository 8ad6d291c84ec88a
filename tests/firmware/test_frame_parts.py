"""What works on a frame of pixels, and the check of the table, against their twins on every machine."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from firmware import twin_vectors
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.machines import ONE_OF_EACH_KIND
from firmware.targets.runtime import runtime_driver

from envlab.digital.fixed_frame import Dither, byte_duty, frame_factor, scale_words
from envlab.firmware.export import firmware_files

FRAME_STEPS = 3000
FRAME_DESIGN = twin_vectors.parade_design(dither=Dither(3, 1600.0))
FRAME_STIMULUS = np.dtype(
    [("total", "<u4"), ("duty", "<u2"), ("factor", "<u2"), ("phase", "u1"), ("place", "u1")]
)
FRAME_RECORD = np.dtype(
    [
        ("factor", "<u2"),
        ("scaled", "<u2"),
        ("byte", "u1"),
        ("dithered", "u1"),
        ("phase", "u1"),
        ("whole", "u1"),
    ]
)


def frame_stimuli() -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(7)
    limit = FRAME_DESIGN.sum_limit
    sums = (2.0 ** rng.uniform(0, 31, FRAME_STEPS)).astype(np.int64)
    sums[:8] = [0, 1, limit - 1, limit, limit + 1, 2 * limit, 2**31 - 1, 65_535]
    duties = rng.integers(0, 65_536, FRAME_STEPS)
    factors = rng.integers(0, 65_536, FRAME_STEPS)
    duties[:4], factors[:4] = [0, 65_535, 65_535, 1], [65_535, 65_535, 0, 65_535]
    return sums, duties, factors, rng.integers(0, 256, FRAME_STEPS), rng.integers(0, 256, FRAME_STEPS)


def frame_stimuli_and_records() -> tuple[bytes, np.ndarray]:
    sums, duties, factors, phases, places = frame_stimuli()
    stimuli = np.empty(FRAME_STEPS, FRAME_STIMULUS)
    for name, values in zip(FRAME_STIMULUS.names, (sums, duties, factors, phases, places), strict=True):
        stimuli[name] = values
    thresholds = [FRAME_DESIGN.dither.threshold(int(phase)) for phase in (phases + places) % 256]
    records = np.empty(FRAME_STEPS, FRAME_RECORD)
    records["factor"] = [frame_factor(int(total), FRAME_DESIGN.sum_limit) for total in sums]
    records["scaled"] = scale_words(duties, factors)
    records["byte"] = byte_duty(duties)
    records["dithered"] = byte_duty(duties, np.array(thresholds))
    records["phase"] = (phases + 1) % 256
    records["whole"] = 1
    return stimuli.tobytes(), records


def frame_driver(files: dict[str, str], folder: Path) -> Driver:
    return runtime_driver(
        Path(__file__).parent / "frame_driver.c",
        files,
        folder,
        input_bytes=FRAME_STIMULUS.itemsize,
        record_bytes=FRAME_RECORD.itemsize,
        parts=("envlab_runtime.c", "envlab_frame.c", "envlab_dither.c", "envlab_boot.c"),
    )


@pytest.mark.parametrize("name", MACHINES)
def test_frame_limit_depth_dither_and_table_check_are_the_twins(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    stimuli, expected = frame_stimuli_and_records()
    driver = frame_driver(firmware_files(FRAME_DESIGN), tmp_path)
    records = np.frombuffer(run_machine(machine, driver, stimuli, tmp_path), FRAME_RECORD)
    assert records.tolist() == expected.tolist()


@pytest.mark.parametrize("name", ONE_OF_EACH_KIND)
def test_one_changed_byte_of_the_table_is_noticed_on_the_machine(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    files = firmware_files(FRAME_DESIGN)
    code = f" {FRAME_DESIGN.codes[40]}u,"
    assert files["envlab_table.h"].count(code) == 1
    files["envlab_table.h"] = files["envlab_table.h"].replace(code, f" {FRAME_DESIGN.codes[40] ^ 256}u,")
    stimuli = frame_stimuli_and_records()[0][: FRAME_STIMULUS.itemsize]
    records = np.frombuffer(
        run_machine(machine, frame_driver(files, tmp_path), stimuli, tmp_path), FRAME_RECORD
    )
    assert records["whole"].tolist() == [0]
