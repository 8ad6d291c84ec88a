"""Builds drivers of the runtime for the machine the tests run on, and feeds them."""

from __future__ import annotations

import subprocess
from pathlib import Path

from reference.c_compilers import PEDANTIC, run

HERE = Path(__file__).parent
DRIVER_FOLDER = HERE / "targets" / "c"


def build(
    compiler: str, driver: Path, folder: Path, sizes: tuple[int, int], *, flags: tuple[str, ...] = ("-O1",)
) -> Path:
    """Return a program of the driver and every C file of the folder. sizes: stimulus and record, bytes."""
    program = folder / f"{driver.stem}_program"
    sources = [HERE / "host_main.c", driver, *sorted(folder.glob("envlab_*.c"))]
    language = ("-x", "c++", "-std=c++11") if "++" in compiler else ("-std=c99",)
    defines = (f"-DDRIVER_INPUT_BYTES={sizes[0]}", f"-DDRIVER_RECORD_BYTES={sizes[1]}")
    include = ("-I", folder, "-I", DRIVER_FOLDER)
    run(compiler, *language, *PEDANTIC, *flags, *defines, *include, *sources, "-o", program, cwd=folder)
    return program


def feed(program: Path, stimuli: bytes) -> bytes:
    """Return the records of a program; whatever it says on standard error (a sanitizer, say) is a failure."""
    done = subprocess.run([str(program)], input=stimuli, capture_output=True, check=False, cwd=program.parent)
    assert done.returncode == 0, done.stderr.decode()
    assert not done.stderr, done.stderr.decode()
    return done.stdout
