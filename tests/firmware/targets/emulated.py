"""A 32-bit processor from pip alone: compiled and linked by ziglang, run by unicorn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
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


def _never(_emulator: Any) -> bool:
    return False


@dataclass(frozen=True)
class EmulatedMachine:
    """One processor model of unicorn.

    `open_emulator` returns a fresh one; `thumb` sets bit 0 of calls; `masked` tells whether the processor
    holds interrupts off.
    """

    name: str
    compiler: tuple[str, ...]
    open_emulator: Callable[[], Any]
    registers: Callable[[], Registers]
    thumb: bool = False
    masked: Callable[[Any], bool] = field(default=_never)

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
        zig("ld.lld", "--gc-sections", "-T", C_FOLDER / "emulated.ld", *objects, "-o", out, folder=folder)
        return Image(driver, out, read_elf32(out).symbols)

    def load(self, program: Program) -> Any:
        """Return an emulator with code, stack and a stop address, ready for calls."""
        emulator = self.open_emulator()
        emulator.mem_map(CODE_AT, CODE_BYTES)
        emulator.mem_map(RAM_AT, RAM_BYTES)
        for address, content in program.segments:
            emulator.mem_write(address, content)
        return emulator

    def call(self, emulator: Any, address: int, *arguments: int) -> None:
        """Call the function at `address` and come back when it returns."""
        self._enter(emulator, RAM_AT + RAM_BYTES - 64, *arguments)
        self._go(emulator, address)
        if self._counter(emulator) != STOP_AT:
            raise RuntimeError(f"{self.name} stopped at {self._counter(emulator):#x}")

    def call_interrupted(self, emulator: Any, address: int, handler: int, *, after: int) -> int | None:
        """Call a function and let `handler` run when `after` of its instructions are done.

        An interrupt is what this is to the function: registers are kept, memory is what the handler leaves.
        While the function masks interrupts the handler waits. Returns what the function returns, or None
        if it returned before the handler could run.
        """
        self._enter(emulator, RAM_AT + RAM_BYTES - 64)
        at = address
        if after:
            self._go(emulator, at, instructions=after)
            at = self._counter(emulator)
        while at != STOP_AT and self.masked(emulator):
            self._go(emulator, at, instructions=1)
            at = self._counter(emulator)
        if at == STOP_AT:
            return None
        interrupted = emulator.context_save()
        self._enter(emulator, emulator.reg_read(self.registers().stack) - 64)
        self._go(emulator, handler)
        emulator.context_restore(interrupted)
        self._go(emulator, at)
        return emulator.reg_read(self.registers().arguments[0])

    def _enter(self, emulator: Any, stack: int, *arguments: int) -> None:
        registers = self.registers()
        for register, value in zip(registers.arguments, arguments, strict=False):
            emulator.reg_write(register, value)
        emulator.reg_write(registers.stack, stack)
        emulator.reg_write(registers.link, STOP_AT | int(self.thumb))

    def _go(self, emulator: Any, address: int, *, instructions: int = 0) -> None:
        if instructions:
            emulator.ctl_flush_tb()  # code that was translated before is not cut where the count ends
        emulator.emu_start(address | int(self.thumb), STOP_AT, count=instructions)

    def _counter(self, emulator: Any) -> int:
        return emulator.reg_read(self.registers().counter) & ~1

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
