"""The script that makes the clips, importable from its own folder, and the clips as they are stored."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

FOLDER = Path(__file__).resolve().parents[2] / "audio_samples"
sys.path.append(str(FOLDER))


@pytest.fixture(scope="session")
def folder() -> Path:
    """The folder of the demo clips."""
    return FOLDER


@pytest.fixture(scope="session")
def stored() -> dict[str, NDArray[np.float64]]:
    """Every clip as stored, full scale 1."""
    return {path.stem: soundfile.read(path, dtype="float64")[0] for path in sorted(FOLDER.glob("*.flac"))}


@pytest.fixture(scope="session")
def told(folder: Path) -> dict[str, list[str]]:
    """The table of SOURCES.md, one row of cells per clip, without the first cell."""
    rows = (folder / "SOURCES.md").read_text(encoding="utf-8").splitlines()
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows if ".flac |" in row]
    return {row[0].removesuffix(".flac"): row[1:] for row in cells}
