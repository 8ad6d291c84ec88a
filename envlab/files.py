"""Files that appear whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from envlab.errors import FileError


def write_whole(path: str | Path, content: bytes) -> None:
    """Write a file under another name in the same folder, then move it into place.

    An old file of that name is replaced in one step. Raises FileError; then the old file stands untouched
    and nothing half-written is left.
    """
    target = Path(path)
    draft = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        try:
            with draft.open("xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            draft.replace(target)
        finally:
            draft.unlink(missing_ok=True)
    except OSError as error:
        raise FileError(f"{target}: cannot be written: {error.strerror or error}") from error


def read_whole(path: str | Path) -> bytes:
    """Return the bytes of a file. Raises FileError."""
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise FileError(f"{path}: cannot be read: {error.strerror or error}") from error
