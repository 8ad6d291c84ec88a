"""A 32-bit processor from pip alone: compiled and linked by ziglang, run by unicorn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .driver import C_FOLDER, Driver, Image
from .elf import Program, read_elf32
from .tools import missing_packages, steps_in, zig

CODE_AT, CODE_BYTES = 0x0001_0000, 0x0004_0000
RAM_AT, RAM_BYTES = 0x2000_0000, 0x0001_0000
INPUT_AT = 0x4000_0000
RECORD_AT = 0x6000_0000
STOP_AT = CODE_AT + CODE_BYTES - 16
PAGE = 0x1000


@dataclass(frozen=True)
class Registers:
    """unicorn's numbers of the registers that a call needs."""

    arguments: tuple[int, int, int]
    stack: int
    link: int
    counter: int


@dataclass(frozen=True)
class EmulatedMachine:
    """One processor model of unicorn. `open_emulator` returns a fresh one; `thumb` sets bit 0 of calls."""

    name: str
    compiler: tuple[str, ...]
    open_emulator: Callable[[], Any]
    registers: Callable[[], Registers]
    thumb: bool = False

    def missing(self) -> str:
        """Return what this machine lacks here, in words, or an empty string."""
        return missing_packages("ziglang", "unicorn")

    def build(self, driver: Driver, folder: Path) -> Image:
        """Compile and link the driver in `folder`."""
        objects = []
        for source in [*driver.sources, C_FOLDER / "main_memory.c", C_FOLDER / "freestanding.c"]:
            objects.append(folder / f"{self.name}-{source.stem}.o")
            zig("cc", *self.compiler, *driver.flags(), "-c", source, "-o", objects[-1], folder=folder)
        out = folder / f"{self.name}.elf"
        zig("ld.lld", "-T", C_FOLDER / "emulated.ld", *objects, "-o", out, folder=folder)
        return Image(driver, out, read_elf32(out).symbols)

    def load(self, program: Program) -> Any:
        """Return an emulator with code, stack and a stop address, ready for calls."""
        emulator = self.open_emulator()
        emulator.mem_map(CODE_AT, CODE_BYTES)
        emulator.mem_map(RAM_AT, RAM_BYTES)
        for address, content in program.segments:
            emulator.mem_write(address, content)
        return emulator

    def call(self, emulator: Any, address: int, *arguments: int, most_instructions: int = 0) -> None:
        """Call the function at `address` and come back when it returns."""
        registers = self.registers()
        bit = int(self.thumb)
        for register, value in zip(registers.arguments, arguments, strict=False):
            emulator.reg_write(register, value)
        emulator.reg_write(registers.stack, RAM_AT + RAM_BYTES - 64)
        emulator.reg_write(registers.link, STOP_AT | bit)
        emulator.emu_start(address | bit, STOP_AT, count=most_instructions)
        stopped = emulator.reg_read(registers.counter) & ~1
        if stopped != STOP_AT:
            raise RuntimeError(f"{self.name} stopped at {stopped:#x}")

    def run(self, image: Image, stimuli: bytes) -> bytes:
        """Run as many steps as there are stimuli and return their records."""
        steps = steps_in(image.driver, stimuli)
        record_bytes = steps * image.driver.record_bytes
        emulator = self.load(read_elf32(image.path))
        emulator.mem_map(INPUT_AT, _whole_pages(len(stimuli)))
        emulator.mem_map(RECORD_AT, _whole_pages(record_bytes))
        emulator.mem_write(INPUT_AT, stimuli)
        self.call(emulator, image.symbols["driver_main"], steps, INPUT_AT, RECORD_AT)
        return bytes(emulator.mem_read(RECORD_AT, record_bytes))


def _whole_pages(count: int) -> int:
    return (count // PAGE + 1) * PAGE
