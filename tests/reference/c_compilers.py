"""Compilers for the firmware tests: found, or the test is skipped on a user's machine and fails in CI."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

PEDANTIC = ["-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wpedantic", "-Werror"]


def find_program(*names: str) -> str:
    """Return the first of these programs that is here; skip the test if none is, but never in CI."""
    for name in names:
        if shutil.which(name):
            return name
    reason = f"none of {', '.join(names)} is installed"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


def run(*command: object, cwd: Path | None = None) -> str:
    """Return what a command prints; its error text becomes the test's."""
    done = subprocess.run(
        [str(part) for part in command], cwd=cwd, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout
