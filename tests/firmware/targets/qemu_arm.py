"""Arm Cortex-M the second way: arm-none-eabi-gcc, run by qemu, which talks to files by semihosting."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from .driver import C_FOLDER, Driver, Image
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
        out = folder / f"{self.name}.elf"
        sources = [*driver.sources, *(C_FOLDER / name for name in ("main_semihosting.c", "freestanding.c"))]
        compiler = ["arm-none-eabi-gcc", f"-mcpu={self.cpu}", "-mthumb", "-ffreestanding", *self.options]
        linker = ["-nostartfiles", "-nostdlib", "-T", C_FOLDER / "qemu_arm.ld", "-lgcc"]
        call([*compiler, *driver.flags(), *sources, *linker, "-o", out], folder=folder)
        return Image(driver, out)

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
