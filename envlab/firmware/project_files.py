"""What makes a folder of firmware a program that builds: example code, a board to write, CMake, a paper."""

from __future__ import annotations

from pathlib import Path

from envlab.firmware.marks import EXAMPLE_FOLDER, PROJECT_FOLDER, marked

PAPER = "READ_ME_FIRST.txt"


def project_files(mark: int) -> dict[str, str]:
    """Return name → text of every file beside runtime and table; C files carry the export's mark."""
    files = {}
    for path in _sources():
        text = path.read_text("ascii")
        files[path.name] = marked(path.name, text, mark) if path.suffix in (".c", ".h") else text
    return files


def project_names() -> tuple[str, ...]:
    """Return the names of all those files, in order."""
    return tuple(path.name for path in _sources())


def _sources() -> list[Path]:
    paths = [
        path for folder in (EXAMPLE_FOLDER, PROJECT_FOLDER) for path in folder.iterdir() if path.is_file()
    ]
    return sorted(paths, key=lambda path: path.name)
