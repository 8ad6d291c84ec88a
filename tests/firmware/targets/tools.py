"""Finding and running outside tools, and what happens when one is missing."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import pytest

from .driver import Driver, Machine

BUILD_SECONDS = 120
RUN_SECONDS = 300


def missing_commands(*names: str) -> str:
    """Return the commands that are not on this machine, in words, or an empty string."""
    lacking = [name for name in names if shutil.which(name) is None]
    return f"not installed: {', '.join(lacking)}" if lacking else ""


def missing_packages(*names: str) -> str:
    """Return the Python packages that are not installed, in words, or an empty string."""
    lacking = [name for name in names if importlib.util.find_spec(name) is None]
    return f"not installed: {', '.join(lacking)} (from pip)" if lacking else ""


@cache
def cannot_build(*command: str, text: str) -> str:
    """Return that a compiler lacks what a small program needs, in words, or an empty string."""
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "probe.c"
        source.write_text(text, "ascii")
        try:
            call([*command, source, "-o", Path(folder) / "probe"], folder=Path(folder))
        except RuntimeError:
            return f"cannot build for: {' '.join(command)}"
    return ""


def require(machine: Machine) -> None:
    """Skip the running test when the machine lacks a tool; in CI, where all are installed, fail it."""
    lacking = machine.missing()
    if not lacking:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"{machine.name}: {lacking}")
    pytest.skip(f"{machine.name}: {lacking}")


def call(
    command: Sequence[str | Path], *, folder: Path, data: bytes | None = None, seconds: float = BUILD_SECONDS
) -> subprocess.CompletedProcess[bytes]:
    """Run a command in `folder`; raise RuntimeError with what it printed when it fails."""
    words = [str(word) for word in command]
    silent = {"stdin": subprocess.DEVNULL} if data is None else {"input": data}
    done = subprocess.run(words, cwd=folder, capture_output=True, timeout=seconds, check=False, **silent)
    if done.returncode != 0:
        said = (done.stderr + done.stdout).decode(errors="replace")[-4000:]
        raise RuntimeError(f"{' '.join(words)} ended with {done.returncode}:\n{said}")
    return done


def zig(*words: str | Path, folder: Path) -> None:
    """Run ziglang's compiler or linker."""
    import ziglang

    program = Path(ziglang.__file__).with_name("zig.exe" if sys.platform == "win32" else "zig")
    call([program, *words], folder=folder)


def steps_in(driver: Driver, stimuli: bytes) -> int:
    """Return the number of whole steps that the stimuli hold."""
    steps, rest = divmod(len(stimuli), driver.input_bytes)
    if rest:
        raise ValueError(f"{len(stimuli)} bytes are not whole stimuli of {driver.input_bytes} bytes")
    return steps


def run_machine(machine: Machine, driver: Driver, stimuli: bytes, folder: Path) -> bytes:
    """Build the driver, run all stimuli, and check that every step left a record."""
    records = machine.run(machine.build(driver, folder), stimuli)
    wanted = steps_in(driver, stimuli) * driver.record_bytes
    if len(records) != wanted:
        raise RuntimeError(f"{machine.name}: {len(records)} bytes of records, {wanted} expected")
    return records
