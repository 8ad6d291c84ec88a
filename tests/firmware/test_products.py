"""The sums of products on every machine, each carry of the 8 bit machine's own instructions among them."""

from __future__ import annotations

import os
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from firmware import twin_vectors
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.machines import AVR_LEVELS

from envlab.firmware.export import RUNTIME_FOLDER

HERE = Path(__file__).parent
HEADER = (RUNTIME_FOLDER / "envlab_products.h").read_text("ascii")
INPUT_BYTES, RECORD_BYTES = 9, 20
INSTRUCTION = re.compile(r'"(adc|sbc|add|sub|mul) [^"]*"')
INSTRUCTIONS = [n for n, line in enumerate(HEADER.split("\n")) if INSTRUCTION.search(line)]


@cache
def stimuli_and_records() -> tuple[bytes, bytes]:
    """Operands from both ends of every byte, and what Python's own integers make of them."""
    rng = np.random.default_rng(17)
    count = 4000
    edges = np.array([0x00, 0x01, 0x02, 0x7F, 0x80, 0xFE, 0xFF])
    given = np.where(
        rng.random((count, INPUT_BYTES)) < 0.75,
        rng.choice(edges, (count, INPUT_BYTES)),
        rng.integers(0, 256, (count, INPUT_BYTES)),
    ).astype(np.uint8)
    records = bytearray()
    for row in given.tolist():
        whole, low = int.from_bytes(row[:4], "little"), row[4]
        a, b = int.from_bytes(row[5:7], "little"), int.from_bytes(row[7:9], "little")
        for changed in (whole + a * b, whole - a * b):
            records += (changed % (1 << 32)).to_bytes(4, "little")
        for fine in (((whole << 8 | low) + part) % (1 << 40) for part in (a * b, -a * b)):
            records += (fine >> 8).to_bytes(4, "little") + bytes([fine & 0xFF])
        records += ((b + ((a * low + 128) >> 8)) % (1 << 16)).to_bytes(2, "little")
    return given.tobytes(), bytes(records)


def driver_of(header: str, folder: Path) -> Driver:
    (folder / "envlab_products.h").write_text(header, "ascii")
    return Driver((HERE / "products_driver.c",), INPUT_BYTES, RECORD_BYTES, include=(folder,))


@pytest.mark.parametrize("name", [*MACHINES, *AVR_LEVELS])
def test_products_are_those_of_whole_numbers(name, tmp_path):
    machine = {**MACHINES, **AVR_LEVELS}[name]
    require(machine)
    stimuli, expected = stimuli_and_records()
    assert run_machine(machine, driver_of(HEADER, tmp_path), stimuli, tmp_path) == expected


def without(number: int) -> str:
    """Return the header with one instruction of the 8 bit machine left out: a carry or a product is lost."""
    lines = HEADER.split("\n")
    lines[number] = INSTRUCTION.sub('"nop"', lines[number], count=1)
    return "\n".join(lines)


def test_every_lost_instruction_is_noticed(tmp_path):
    """In CI every one, else every eighth."""
    machine = MACHINES["avr-multiplier"]
    require(machine)
    stimuli, expected = stimuli_and_records()
    assert len(INSTRUCTIONS) > 70
    survivors = []
    for number in INSTRUCTIONS[:: 1 if os.environ.get("CI") == "true" else 8]:
        folder = tmp_path / str(number)
        folder.mkdir()
        if run_machine(machine, driver_of(without(number), folder), stimuli, folder) == expected:
            survivors.append(HEADER.split("\n")[number])
    assert survivors == []


def test_the_stimuli_of_the_runtime_reach_the_upper_half_of_the_factors():
    factors = [case.words.attack_factor for case in twin_vectors.CASES.values()]
    assert min(factors) == 1
    assert max(factors) == 65_535
