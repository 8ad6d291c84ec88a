"""MSP430, 16 bit: compiled and linked by ziglang, run in the simulator of Debian's mspdebug."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

from .driver import C_FOLDER, Driver, Image
from .elf import read_elf32
from .tools import RUN_SECONDS, call, missing_commands, missing_packages, steps_in, zig

BUFFER_BYTES = 40_000
INTERRUPT = 8  # its vector is in c/start_msp430.S


@dataclass(frozen=True)
class Msp430Machine:
    """A processor without hardware multiplier and one flat memory of 64 KB."""

    name: str
    options: tuple[str, ...] = ("-Os",)

    def missing(self) -> str:
        """Return what this machine lacks here, in words, or an empty string."""
        return missing_commands("mspdebug") or missing_packages("ziglang")

    def build(self, driver: Driver, folder: Path) -> Image:
        """Compile and link the driver in `folder`."""
        objects = []
        target = ("-target", "msp430-freestanding-none", "-ffreestanding", *self.options)
        flags = [*driver.flags(), f"-DDRIVER_BATCH_STEPS={_batch_steps(driver)}u"]
        parts = [C_FOLDER / name for name in ("main_msp430.c", "freestanding.c", "start_msp430.S")]
        for source in [*driver.sources, *parts]:
            objects.append(folder / f"{self.name}-{source.stem}.o")
            zig("cc", *target, *flags, "-c", source, "-o", objects[-1], folder=folder)
        out = folder / f"{self.name}.elf"
        zig("ld.lld", "--gc-sections", "-T", C_FOLDER / "msp430.ld", *objects, "-o", out, folder=folder)
        return Image(driver, out, read_elf32(out).symbols)

    def run(self, image: Image, stimuli: bytes, *, timer: bool = False) -> bytes:
        """Run as many steps as there are stimuli and return their records; with `timer`, Timer A counts."""
        driver, folder, symbols = image.driver, image.path.parent, image.symbols
        most = _batch_steps(driver)
        steps = steps_in(driver, stimuli)
        script = [f"prog {image.path.name}", f"setbreak {symbols['driver_pause']:#x}"]
        if timer:
            script.append("simio add timer a")
        outputs = []
        for first in range(0, steps, most):
            count = min(most, steps - first)
            batch = stimuli[first * driver.input_bytes : (first + count) * driver.input_bytes]
            given, taken = folder / f"{self.name}-{first}.in", folder / f"{self.name}-{first}.out"
            given.write_bytes(struct.pack("<HH", first == 0, count) + batch)
            outputs.append(taken)
            script += [
                f"load_raw {given.name} {symbols['driver_batch']:#x}",
                "run",
                f"save_raw {symbols['driver_records']:#x} {count * driver.record_bytes} {taken.name}",
            ]
        self._debug(folder, script)
        return b"".join(taken.read_bytes() for taken in outputs)

    def run_interrupted(self, image: Image, stimuli: bytes, *, reader: str) -> bytes:
        """Run, raising the interrupt after as many of the reader's instructions as a stimulus begins with.

        Every stimulus starts from reset. The interrupt is left out where the reader has returned by then.
        """
        driver, folder, symbols = image.driver, image.path.parent, image.symbols
        script = [f"prog {image.path.name}", "simio add tracer interrupts"]
        outputs = []
        for step in range(steps_in(driver, stimuli)):
            stimulus = stimuli[step * driver.input_bytes : (step + 1) * driver.input_bytes]
            after = int.from_bytes(stimulus[:2], "little")
            given, taken = folder / f"{self.name}-{step}.in", folder / f"{self.name}-{step}.out"
            given.write_bytes(struct.pack("<HH", 1, 1) + stimulus)
            outputs.append(taken)
            script += [
                f"load_raw {given.name} {symbols['driver_batch']:#x}",
                f"setbreak {symbols[reader]:#x} 0",
                "run",
                f"setbreak {symbols['driver_pause']:#x} 0",
                *([f"step {after}"] if after else []),
                f"simio config interrupts trigger {INTERRUPT}",
                "run",
                f"simio config interrupts untrigger {INTERRUPT}",
                f"save_raw {symbols['driver_records']:#x} {driver.record_bytes} {taken.name}",
            ]
        self._debug(folder, script)
        return b"".join(taken.read_bytes() for taken in outputs)

    def _debug(self, folder: Path, script: list[str]) -> None:
        commands = folder / f"{self.name}.commands"
        commands.write_text("\n".join(script) + "\n", encoding="ascii")
        call(["mspdebug", "-q", "-n", "sim", f"read {commands.name}"], folder=folder, seconds=RUN_SECONDS)


def _batch_steps(driver: Driver) -> int:
    return BUFFER_BYTES // (driver.input_bytes + driver.record_bytes)
