"""The envelope's hand-over between two tasks, or an interrupt and a loop.

Wherever one side cuts into the other, the reader gets the old word or the new one, never a mix of their
bytes, and the newest one afterwards.
"""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from firmware.targets import MACHINES, Driver, require
from firmware.targets.driver import C_FOLDER, STRICT
from firmware.targets.elf import read_elf32

import envlab.firmware

EXAMPLES = Path(envlab.firmware.__file__).parent / "examples"
EXAMPLE = EXAMPLES / "hand_over.c"
STANDIN = C_FOLDER / "hand_over_standin.c"
PAIRS = ((0x00FF, 0x0100), (0x0100, 0x00FF), (0x0000, 0xFFFF), (0xFFFF, 0x0000), (0x1234, 0xFEDC))
MOST_INSTRUCTIONS = 96
EIGHT_BIT = ("avr-multiplier", "avr-no-multiplier")
BY_EMULATOR = ("cortex-m0", "cortex-m3", "riscv32")
EVERYWHERE = (*BY_EMULATOR, *EIGHT_BIT, "msp430")
READER_CUTS_IN = ("READER_CUTS_IN",)
WRITER_CUTS_IN = ("WRITES=1u",)
WAYS = {
    "reader cuts in": READER_CUTS_IN,
    "writer cuts in": WRITER_CUTS_IN,
    "writer cuts in twice": ("WRITES=2u",),
    "writer cuts in three times": ("WRITES=3u",),
}
MASKED, PLAIN, TWO_BYTES, UNTIL_EQUAL, TWO_PLACES = range(5)


def hand_over_driver(source: Path, *defines: str) -> Driver:
    sources = (C_FOLDER / "hand_over_driver.c", source)
    return Driver(sources, 6, 5, include=(EXAMPLES,), defines=defines, warnings=STRICT)


def standin(way: int, cuts: tuple[str, ...]) -> Driver:
    return hand_over_driver(STANDIN, f"HAND_OVER_WAY={way}", *cuts)


def words_read(name: str, driver: Driver, folder: Path) -> list[tuple[int, int, int, int]]:
    """Return (old, new, read, read later) for every point of one side at which the other could run."""
    machine = MACHINES[name]
    image = machine.build(driver, folder)
    points = [(after, *pair) for pair in PAIRS for after in range(MOST_INSTRUCTIONS)]
    if name in BY_EMULATOR:
        return _by_emulator(machine, image, points)
    stimuli = b"".join(struct.pack("<HHH", *point) for point in points)
    records = machine.run_interrupted(image, stimuli, reader="interrupted_call")
    results = zip(points, struct.iter_unpack("<HBH", records), strict=True)
    return [(old, new, read, later) for (_, old, new), (read, cut, later) in results if cut]


def _by_emulator(machine, image, points) -> list[tuple[int, int, int, int]]:
    emulator = machine.load(read_elf32(image.path))
    symbols, results = image.symbols, []
    for after, old, new in points:
        machine.call(emulator, symbols["prepare"], old, new)
        done = machine.call_interrupted(
            emulator, symbols["interrupted_call"], symbols["interrupting_call"], after=after
        )
        if done is None:
            continue
        read = struct.unpack("<H", emulator.mem_read(symbols["seen"], 2))[0]
        machine.call(emulator, symbols["later_read"])
        later = emulator.reg_read(machine.registers().arguments[0])
        results.append((old, new, read, later))
    return results


def torn(results: list[tuple[int, int, int, int]]) -> list[tuple[int, int, int, int]]:
    return [case for case in results if case[2] not in case[:2]]


def assert_whole(results: list[tuple[int, int, int, int]]) -> None:
    assert torn(results) == []
    # Every point of the function was met, from its first instruction to its return, and both words came back.
    assert 3 * len(PAIRS) <= len(results) < MOST_INSTRUCTIONS * len(PAIRS)
    assert {read == new for _, new, read, _ in results} == {True, False}
    assert [case for case in results if case[3] != case[1]] == []


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("name", EVERYWHERE)
def test_the_examples_word_is_never_torn(name, way, tmp_path):
    require(MACHINES[name])
    assert_whole(words_read(name, hand_over_driver(EXAMPLE, *WAYS[way]), tmp_path))


@pytest.mark.parametrize("name", EVERYWHERE)
def test_a_masked_read_is_never_torn_by_the_writer(name, tmp_path):
    require(MACHINES[name])
    assert_whole(words_read(name, standin(MASKED, WRITER_CUTS_IN), tmp_path))


@pytest.mark.parametrize("cuts", [READER_CUTS_IN, WRITER_CUTS_IN], ids=lambda words: words[0])
@pytest.mark.parametrize("name", EVERYWHERE)
def test_a_word_in_two_halves_is_caught_both_ways(name, cuts, tmp_path):
    require(MACHINES[name])
    assert torn(words_read(name, standin(TWO_BYTES, cuts), tmp_path))


@pytest.mark.parametrize("name", EIGHT_BIT)
def test_a_plain_read_of_a_word_is_torn_on_an_8_bit_machine(name, tmp_path):
    require(MACHINES[name])
    assert torn(words_read(name, standin(PLAIN, WRITER_CUTS_IN), tmp_path))


@pytest.mark.parametrize("name", EIGHT_BIT)
def test_reading_until_two_reads_agree_is_torn_where_the_reader_cuts_in(name, tmp_path):
    require(MACHINES[name])
    assert not torn(words_read(name, standin(UNTIL_EQUAL, WRITER_CUTS_IN), tmp_path))
    wrong = torn(words_read(name, standin(UNTIL_EQUAL, READER_CUTS_IN), tmp_path))
    assert (0x00FF, 0x0100) in {case[:2] for case in wrong}


@pytest.mark.parametrize("name", EVERYWHERE)
def test_two_places_are_too_few_where_the_writer_comes_twice(name, tmp_path):
    require(MACHINES[name])
    assert not torn(words_read(name, standin(TWO_PLACES, READER_CUTS_IN), tmp_path))
    assert not torn(words_read(name, standin(TWO_PLACES, WRITER_CUTS_IN), tmp_path))
    assert torn(words_read(name, standin(TWO_PLACES, ("WRITES=2u",)), tmp_path))
