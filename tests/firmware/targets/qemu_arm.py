"""Arm Cortex-M the second way: arm-none-eabi-gcc, run by qemu, which talks to files by semihosting."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from .driver import C_FOLDER, Driver, Image
from .elf import read_elf32
from .tools import RUN_SECONDS, call, missing_commands


@dataclass(frozen=True)
class QemuArmMachine:
    """One board of qemu's; code at 0, 16 KB of memory at 0x2000_0000 are enough."""

    name: str
    board: str
    cpu: str
    options: tuple[str, ...] = ("-Os",)

    def missing(self) -> str:
        """Return what this machine lacks here, in words, or an empty string."""
        return missing_commands("arm-none-eabi-gcc", "qemu-system-arm")

    def build(self, driver: Driver, folder: Path) -> Image:
        """Compile and link the driver in `folder`."""
        compiler = ["arm-none-eabi-gcc", f"-mcpu={self.cpu}", "-mthumb", "-ffreestanding", *self.options]
        objects = []
        for source in [*driver.sources, C_FOLDER / "main_semihosting.c", C_FOLDER / "freestanding.c"]:
            objects.append(folder / f"{self.name}-{source.stem}.o")
            call([*compiler, *driver.flags(), "-c", source, "-o", objects[-1]], folder=folder)
        out = folder / f"{self.name}.elf"
        linker = ["-nostartfiles", "-nostdlib", "-Wl,--gc-sections", "-T", C_FOLDER / "qemu_arm.ld", "-lgcc"]
        call([*compiler, *objects, *linker, "-o", out], folder=folder)
        return Image(driver, out, read_elf32(out).symbols)

    def run(self, image: Image, stimuli: bytes) -> bytes:
        """Run as many steps as there are stimuli and return their records."""
        folder = image.path.parent / f"{self.name}-files"
        folder.mkdir(exist_ok=True)
        (folder / "stimuli.bin").write_bytes(stimuli)
        machine = ["-M", self.board, "-nographic", "-monitor", "none", "-serial", "none"]
        talk = ["-semihosting-config", "enable=on,target=native"]
        call(
            ["qemu-system-arm", *machine, *talk, "-kernel", image.path],
            folder=folder,
            seconds=RUN_SECONDS,
        )
        return (folder / "records.bin").read_bytes()
