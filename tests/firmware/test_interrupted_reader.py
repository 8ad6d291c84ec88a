"""The envelope's hand-over from interrupt to main loop: whichever two instructions of the reader the
interrupt falls between, the reader gets the old word or the new one, never a mix of their bytes."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from firmware.targets import MACHINES, Driver, require
from firmware.targets.driver import C_FOLDER
from firmware.targets.elf import read_elf32

import envlab.firmware

EXAMPLE = Path(envlab.firmware.__file__).parent / "examples" / "snapshot.c"
PAIRS = ((0x00FF, 0x0100), (0x0100, 0x00FF), (0x0000, 0xFFFF), (0xFFFF, 0x0000), (0x1234, 0xFEDC))
MOST_INSTRUCTIONS = 48
EIGHT_BIT = ("avr-multiplier", "avr-no-multiplier")
BY_EMULATOR = ("cortex-m0", "cortex-m3", "riscv32")
EVERYWHERE = (*BY_EMULATOR, *EIGHT_BIT, "msp430")
MASKED, PLAIN, TWO_BYTES = 0, 1, 2


def snapshot_driver(source: Path, *defines: str) -> Driver:
    sources = (C_FOLDER / "snapshot_driver.c", source)
    return Driver(sources, 6, 3, include=(source.parent,), defines=defines)


def words_read(name: str, driver: Driver, folder: Path) -> list[tuple[int, int, int]]:
    """Return (old, new, read) for every point of the reader at which the writer could run."""
    machine = MACHINES[name]
    image = machine.build(driver, folder)
    points = [(after, *pair) for pair in PAIRS for after in range(MOST_INSTRUCTIONS)]
    if name in BY_EMULATOR:
        return _by_emulator(machine, image, points)
    stimuli = b"".join(struct.pack("<HHH", *point) for point in points)
    records = machine.run_interrupted(image, stimuli, reader="snapshot_read")
    results = zip(points, struct.iter_unpack("<HB", records), strict=True)
    return [(old, new, read) for (_, old, new), (read, interrupted) in results if interrupted]


def _by_emulator(machine, image, points) -> list[tuple[int, int, int]]:
    emulator = machine.load(read_elf32(image.path))
    results = []
    for after, old, new in points:
        machine.call(emulator, image.symbols["snapshot_write"], old)
        emulator.mem_write(image.symbols["next_word"], struct.pack("<H", new))
        read = machine.call_interrupted(
            emulator, image.symbols["snapshot_read"], image.symbols["snapshot_interrupt"], after=after
        )
        if read is not None:
            results.append((old, new, read))
    return results


def torn(results: list[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    return [(old, new, read) for old, new, read in results if read not in (old, new)]


def assert_whole(results: list[tuple[int, int, int]]) -> None:
    assert torn(results) == []
    assert 3 * len(PAIRS) <= len(results) < MOST_INSTRUCTIONS * len(PAIRS), (
        "the reader ended within the points"
    )
    assert {read == new for _, new, read in results} == {True, False}


@pytest.mark.parametrize("name", EVERYWHERE)
def test_the_examples_read_is_never_torn(name, tmp_path):
    require(MACHINES[name])
    assert_whole(words_read(name, snapshot_driver(EXAMPLE), tmp_path))


@pytest.mark.parametrize("name", EVERYWHERE)
def test_a_masked_read_is_never_torn(name, tmp_path):
    require(MACHINES[name])
    driver = snapshot_driver(C_FOLDER / "snapshot_standin.c", f"SNAPSHOT_WAY={MASKED}")
    assert_whole(words_read(name, driver, tmp_path))


@pytest.mark.parametrize("name", EVERYWHERE)
def test_a_read_in_two_halves_is_caught(name, tmp_path):
    require(MACHINES[name])
    results = words_read(
        name, snapshot_driver(C_FOLDER / "snapshot_standin.c", f"SNAPSHOT_WAY={TWO_BYTES}"), tmp_path
    )
    assert torn(results)


@pytest.mark.parametrize("name", EIGHT_BIT)
def test_a_plain_read_of_a_word_is_torn_on_an_8_bit_machine(name, tmp_path):
    require(MACHINES[name])
    results = words_read(
        name, snapshot_driver(C_FOLDER / "snapshot_standin.c", f"SNAPSHOT_WAY={PLAIN}"), tmp_path
    )
    assert torn(results)
