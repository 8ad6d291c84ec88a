"""Where a written text file differs from what it must be."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from envlab.errors import FileError
from envlab.files.whole import read_whole
from envlab.units import IntArray


def ascii_lines(path: str | Path) -> list[str]:
    """Return the lines of an ASCII file. Raises FileError that names the first byte that is none."""
    try:
        return read_whole(path).decode("ascii").split("\n")
    except UnicodeDecodeError as error:
        raise FileError(f"{path}: byte {error.start} is not ASCII; the file has been edited") from error


def code_array(path: str | Path, values: list[int]) -> IntArray:
    """Return codes (entries,) read from a file. Raises FileError that names one no table can hold."""
    for entry, code in enumerate(values):
        if isinstance(code, bool) or not isinstance(code, int) or not 0 <= code <= 0xFFFF:
            raise FileError(f"{path}: entry {entry} is {code}, not a whole number from 0 to 65535")
    return np.array(values, dtype=np.int64)


def compare_lines(path: str | Path, lines: list[str], expected: list[str]) -> None:
    """Raise FileError that names the first line that is not what it must be."""
    for number, (stands, should) in enumerate(zip(lines, expected, strict=False), 1):
        if stands == should:
            continue
        # The check over the whole text differs alone when a value was edited that stands nowhere else.
        alone = lines[number:] == expected[number:] and "crc" in stands.lower()
        hint = "; a value further up has been edited" if alone else ""
        raise FileError(f"{path}: line {number} reads {stands.strip()!r}, must read {should.strip()!r}{hint}")
    if len(lines) != len(expected):
        raise FileError(f"{path}: has {len(lines)} lines, must have {len(expected)}")
