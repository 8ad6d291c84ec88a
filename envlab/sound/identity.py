"""Which recording a file holds: one run must not judge one recording and report another."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from envlab.errors import FileError

Stamp = tuple[int, int, int, int]


@dataclass(frozen=True)
class FileIdentity:
    """stamp: what the file system says of the file. sha256: of its bytes, hexadecimal."""

    stamp: Stamp
    sha256: str


def stamp_of(path: Path) -> Stamp:
    """Return what changes when a file is written or replaced: node, size in bytes, both times in ns.

    The time of change of the node counts too: copying tools set the other one back.
    """
    try:
        known = path.stat()
    except (FileNotFoundError, ValueError):
        # A name with a zero byte in it is the name of no file.
        raise FileError(f"{path}: no such file") from None
    except OSError as error:
        raise FileError(f"{path}: cannot be read ({error.strerror})") from error
    return known.st_ino, known.st_size, known.st_mtime_ns, known.st_ctime_ns


def identity_of(path: Path) -> FileIdentity:
    """Return which file this is by now; FileError if it cannot be read."""
    stamp = stamp_of(path)
    try:
        with path.open("rb") as file:
            return FileIdentity(stamp, hashlib.file_digest(file, "sha256").hexdigest())
    except OSError as error:
        raise FileError(f"{path}: cannot be read ({error.strerror})") from error


def check_same(path: Path, first: FileIdentity) -> None:
    """Raise FileError, one line, unless the file still holds what it held first."""
    if stamp_of(path) != first.stamp and identity_of(path).sha256 != first.sha256:
        raise changed(path)


def changed(path: Path) -> FileError:
    """What is said of a file that became another one during a run."""
    return FileError(f"{path}: was changed while it was in use; run it again, on one recording")
