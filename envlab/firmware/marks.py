"""The number that ties the files of one export together: a mixed set of files does not compile."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path

from envlab import __version__

RUNTIME_FOLDER = Path(__file__).parent / "runtime"
EXAMPLE_FOLDER = Path(__file__).parent / "examples"
PROJECT_FOLDER = Path(__file__).parent / "project"


def export_mark(content: Iterable[object]) -> int:
    """Return the number, 1 to 2^32 - 1, of an export that holds these values (as JSON takes them).

    The version and the text of every C file of the package count too, so that the runtime of one version
    does not compile with the numbers of another.
    """
    text = json.dumps([__version__, _sources_crc32(), list(content)])
    return zlib.crc32(text.encode()) or 1


def mark_lines(file: str, mark: int) -> list[str]:
    """Return the lines that stop a compiler where ``file`` meets a file of another export."""
    return [
        "/* Every file of one export carries the same number: files of two do not compile together. */",
        "#ifndef ENVLAB_MARK",
        f"#define ENVLAB_MARK 0x{mark:08X}ul /* number of this export */",
        f"#elif ENVLAB_MARK != 0x{mark:08X}ul",
        f'#error "{file} is of another export than a file before it: copy all files of one export together"',
        "#endif",
    ]


def marked(file: str, text: str, mark: int) -> str:
    """Return the text of a C file with the lines of mark_lines behind it."""
    return text + "\n" + "\n".join(mark_lines(file, mark)) + "\n"


@cache
def _sources_crc32() -> int:
    crc = 0
    for folder in (RUNTIME_FOLDER, EXAMPLE_FOLDER, PROJECT_FOLDER):
        for path in sorted(folder.iterdir()):
            if path.is_file():
                crc = zlib.crc32(path.name.encode() + b"\0" + path.read_bytes(), crc)
    return crc
