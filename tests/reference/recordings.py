"""Where the recordings are that others made: a folder of CC0 FLAC files, named by the environment."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


def open_recording_files() -> list[Path]:
    """All of them, sorted. Without a folder the test is skipped, or fails where everything is to be run."""
    folder = os.environ.get("ENVLAB_OPEN_RECORDINGS")
    if not folder:
        reason = "ENVLAB_OPEN_RECORDINGS names no folder of open recordings"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    files = sorted(Path(folder).rglob("*.flac"))
    assert len(files) >= 20, f"only {len(files)} FLAC files in {folder}"
    return files
