"""What the project's own tests share: the checkout, and how a command is run."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parents[2]

Run = Callable[..., str]


@pytest.fixture(scope="session")
def checkout() -> Path:
    """The folder of the checkout."""
    return CHECKOUT


@pytest.fixture(scope="session")
def run() -> Run:
    """Run a command without a network of pip's; its output if it succeeds, else the test fails with it."""

    def run_one(*command: object, cwd: Path = CHECKOUT, env: Mapping[str, str] | None = None) -> str:
        words = [str(word) for word in command]
        around = {**os.environ, "PIP_NO_INDEX": "1", "PIP_DISABLE_PIP_VERSION_CHECK": "1", **(env or {})}
        done = subprocess.run(words, cwd=cwd, env=around, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{' '.join(words)}\n{done.stdout}\n{done.stderr}"
        return done.stdout

    return run_one


@pytest.fixture(scope="session")
def python() -> str:
    """The Python that runs the tests."""
    return sys.executable
