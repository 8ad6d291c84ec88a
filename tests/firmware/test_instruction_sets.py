"""The firmware's C against its Python twin, whole state and output, on real instruction sets."""

from __future__ import annotations

import struct
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from firmware import twin_vectors
from firmware.targets import MACHINES, Driver, GccHost, require, run_machine
from firmware.targets.driver import C_FOLDER, STRICT
from firmware.targets.machines import SIXTEEN_BIT_INT

from envlab.digital.fixed_frame import Dither, byte_duty, frame_factor, scale_words
from envlab.digital.fixed_kernels import level
from envlab.firmware.export import firmware_files
from envlab.firmware.parameters import HeaderFacts, parameters_text, table_text

READINGS = 100_000
FRAME_STEPS = 3000
ONE_OF_EACH_KIND = ("host-clang-O2", "cortex-m0", "riscv32", "mips32-big-endian", "avr-multiplier", "msp430")
FRAME_DESIGN = twin_vectors.parade_design(dither=Dither(3, 1600.0))
STANDIN_STEPS = 3000
SLIPS = (1, 2, 3, 4)
HIDDEN_ON = ("host-clang-undefined", "host-gcc-O2", "host-gcc-undefined", "cortex-m0", "riscv32")


def standin_driver(slip: int) -> Driver:
    return Driver((C_FOLDER / "standin.c",), 4, 8, defines=(f"STANDIN_SLIP={slip}",))


def standin_stimuli() -> bytes:
    rng = np.random.default_rng(20)
    targets = rng.integers(0, 65536, STANDIN_STEPS)
    targets[:200] = 65535
    factors = rng.integers(1, 30000, STANDIN_STEPS)
    return np.stack([targets, factors], axis=1).astype("<u2").tobytes()


def standin_records(stimuli: bytes) -> bytes:
    state = peak = 0
    records = bytearray()
    for target, factor in struct.iter_unpack("<HH", stimuli):
        now = state >> 16
        state += (target - now) * factor
        middle = (now + target) >> 1
        peak = max(peak, middle)
        records += struct.pack("<IHH", state, peak, (middle + 128) >> 8)
    return bytes(records)


@pytest.mark.parametrize("name", MACHINES)
def test_a_machine_runs_c_like_its_python_twin(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    stimuli = standin_stimuli()
    assert run_machine(machine, standin_driver(0), stimuli, tmp_path) == standin_records(stimuli)


@pytest.mark.parametrize("slip", SLIPS)
@pytest.mark.parametrize("name", (*HIDDEN_ON, *SIXTEEN_BIT_INT))
def test_slips_show_where_int_has_16_bits_and_nowhere_else(name, slip, tmp_path):
    machine = MACHINES[name]
    require(machine)
    stimuli = standin_stimuli()
    same = run_machine(machine, standin_driver(slip), stimuli, tmp_path) == standin_records(stimuli)
    assert same != (name in SIXTEEN_BIT_INT)


@cache
def twin_stimuli_and_records(case_name: str) -> tuple[bytes, bytes]:
    case = twin_vectors.CASES[case_name]
    readings, offsets = twin_vectors.stimulus(case, READINGS)
    return (
        twin_vectors.stimulus_bytes(readings, offsets),
        twin_vectors.expected_bytes(case, readings, offsets),
    )


def runtime_driver(files: dict[str, str], folder: Path) -> Driver:
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    sources = (twin_vectors.DRIVER, folder / "envlab_runtime.c")
    sizes = twin_vectors.STIMULUS_BYTES, twin_vectors.RECORD_BYTES
    return Driver(sources, *sizes, include=(folder,), warnings=STRICT)


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
    driver = runtime_driver(twin_vectors.CASES[case_name].files, tmp_path)
    assert first_difference(run_machine(machine, driver, stimuli, tmp_path), expected) == ""


@pytest.mark.parametrize("name", ONE_OF_EACH_KIND)
def test_a_look_up_rounded_one_unit_lower_is_caught(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    stimuli, expected = twin_stimuli_and_records("parade")
    files = dict(twin_vectors.CASES["parade"].files)
    right = files["envlab_products.h"]
    files["envlab_products.h"] = right.replace("128u", "127u")
    assert files["envlab_products.h"] != right
    records = run_machine(machine, runtime_driver(files, tmp_path), stimuli, tmp_path)
    assert "where the twin has" in first_difference(records, expected)


def every_level_driver(folder: Path) -> tuple[Driver, np.ndarray]:
    segments = 254
    words = twin_vectors.CASES["parade"].words._replace(
        automatic=0, window_start=0, range_level=segments * 256, gate_open=0, gate_close=0, cap=65_535
    )
    codes = np.append(np.arange(segments + 1), segments) * 256
    facts = HeaderFacts("every level", 1000.0, 1000.0)
    files = dict(twin_vectors.CASES["parade"].files)
    files["envlab_parameters.h"] = parameters_text(words, codes, facts)
    files["envlab_table.h"] = table_text(words, codes, facts)
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    sources = (Path(__file__).parent / "level_driver.c", folder / "envlab_runtime.c")
    levels = np.array([level(envelope) for envelope in range(65_536)])
    return Driver(sources, 2, 2, include=(folder,), warnings=STRICT), np.minimum(levels, segments * 256)


@pytest.mark.parametrize("name", MACHINES)
def test_the_level_of_every_envelope_is_the_twins(name, tmp_path):
    machine = MACHINES[name]
    require(machine)
    driver, expected = every_level_driver(tmp_path)
    envelopes = np.arange(65_536).astype("<u2").tobytes()
    records = run_machine(machine, driver, envelopes, tmp_path)
    assert np.array_equal(np.frombuffer(records, "<u2"), expected)


def frame_stimuli() -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(7)
    limit = FRAME_DESIGN.sum_limit
    sums = (2.0 ** rng.uniform(0, 31, FRAME_STEPS)).astype(np.int64)
    sums[:8] = [0, 1, limit - 1, limit, limit + 1, 2 * limit, 2**31 - 1, 65_535]
    duties = rng.integers(0, 65_536, FRAME_STEPS)
    factors = rng.integers(0, 65_536, FRAME_STEPS)
    duties[:4], factors[:4] = [0, 65_535, 65_535, 1], [65_535, 65_535, 0, 65_535]
    return sums, duties, factors, rng.integers(0, 256, FRAME_STEPS), rng.integers(0, 256, FRAME_STEPS)


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
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    parts = ("envlab_runtime.c", "envlab_frame.c", "envlab_dither.c")
    sources = (Path(__file__).parent / "frame_driver.c", *(folder / part for part in parts))
    sizes = FRAME_STIMULUS.itemsize, FRAME_RECORD.itemsize
    return Driver(sources, *sizes, include=(folder,), warnings=STRICT)


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


class LackingHost(GccHost):
    def missing(self) -> str:
        return "not installed: a compiler"


@pytest.mark.parametrize(("ci", "outcome"), [("true", pytest.fail.Exception), ("", pytest.skip.Exception)])
def test_a_missing_tool_skips_at_home_and_fails_in_ci(ci, outcome, monkeypatch):
    monkeypatch.setenv("CI", ci)
    with pytest.raises(outcome, match="nowhere: not installed: a compiler"):
        require(LackingHost("nowhere", ()))


def test_what_pip_alone_brings_covers_five_instruction_sets(monkeypatch):
    monkeypatch.setenv("PATH", "")
    at_home = {name for name, machine in MACHINES.items() if not machine.missing()}
    wanted = {
        "host-clang-O2",
        "host-clang-undefined",
        "cortex-m0",
        "cortex-m3",
        "riscv32",
        "mips32-big-endian",
    }
    assert wanted <= at_home
