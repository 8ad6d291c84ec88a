"""The machines themselves: right C runs right on all, and slips that only 16-bit ints show are shown."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from firmware.targets import MACHINES, Driver, GccHost, require, run_machine
from firmware.targets.driver import C_FOLDER
from firmware.targets.machines import SIXTEEN_BIT_INT

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
