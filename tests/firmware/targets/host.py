"""The machine that runs the tests: gcc at every level and with sanitizers, and ziglang's clang from pip."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from .driver import C_FOLDER, Driver, Image
from .tools import RUN_SECONDS, call, cannot_build, missing_commands, missing_packages, zig


@dataclass(frozen=True)
class GccHost:
    """gcc, native code."""

    name: str
    options: tuple[str, ...]

    def missing(self) -> str:
        """Return what this machine lacks here, in words, or an empty string."""
        return missing_commands("gcc") or cannot_build(
            "gcc", *self.options, text="int main(void) { return 0; }"
        )

    def build(self, driver: Driver, folder: Path) -> Image:
        """Compile and link the driver in `folder`."""
        out = folder / self.name
        sources = [*driver.sources, C_FOLDER / "main_stdio.c"]
        call(["gcc", *self.options, *driver.flags(), *sources, "-o", out], folder=folder)
        return Image(driver, out)

    def run(self, image: Image, stimuli: bytes) -> bytes:
        """Run as many steps as there are stimuli and return their records."""
        return call([image.path], folder=image.path.parent, data=stimuli, seconds=RUN_SECONDS).stdout


@dataclass(frozen=True)
class ZigHost:
    """ziglang's clang, native code; undefined behaviour traps when `options` ask for it."""

    name: str
    options: tuple[str, ...]

    def missing(self) -> str:
        """Return what this machine lacks here, in words, or an empty string."""
        return missing_packages("ziglang")

    def build(self, driver: Driver, folder: Path) -> Image:
        """Compile and link the driver in `folder`."""
        out = folder / self.name
        sources = [*driver.sources, C_FOLDER / "main_stdio.c"]
        zig("cc", *self.options, *driver.flags(), *sources, "-o", out, folder=folder)
        return Image(driver, out)

    def run(self, image: Image, stimuli: bytes) -> bytes:
        """Run as many steps as there are stimuli and return their records."""
        return call([image.path], folder=image.path.parent, data=stimuli, seconds=RUN_SECONDS).stdout
