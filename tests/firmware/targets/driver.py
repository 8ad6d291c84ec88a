"""What is built and run: a driver (C sources with a fixed stimulus and record size) and its image."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

C_FOLDER = Path(__file__).parent / "c"
STRICT = ("-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wpedantic", "-Werror")


@dataclass(frozen=True)
class Driver:
    """C sources that define driver_start and driver_step (c/driver.h), and how they are compiled."""

    sources: tuple[Path, ...]
    input_bytes: int
    record_bytes: int
    include: tuple[Path, ...] = ()
    defines: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def flags(self) -> list[str]:
        """Return the compiler flags that every machine needs."""
        defines = [
            f"DRIVER_INPUT_BYTES={self.input_bytes}",
            f"DRIVER_RECORD_BYTES={self.record_bytes}",
            *self.defines,
        ]
        folders = [C_FOLDER, *self.include]
        return [
            "-std=c99",
            "-ffunction-sections",
            *(f"-D{d}" for d in defines),
            *(f"-I{folder}" for folder in folders),
        ]


@dataclass(frozen=True)
class Image:
    """A linked program with the addresses of its symbols."""

    driver: Driver
    path: Path
    symbols: dict[str, int] = field(default_factory=dict)


class Machine(Protocol):
    """One instruction set with its compiler and the way its code is run."""

    name: str

    def missing(self) -> str:
        """Return what this machine lacks here, in words, or an empty string."""
        ...

    def build(self, driver: Driver, folder: Path) -> Image:
        """Compile and link the driver in `folder`."""
        ...

    def run(self, image: Image, stimuli: bytes) -> bytes:
        """Run as many steps as there are stimuli and return their records."""
        ...
