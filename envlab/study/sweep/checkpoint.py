"""A long sweep in steps that are kept: interrupted, it goes on where it was."""

from __future__ import annotations

import contextlib
import hashlib
import lzma
import math
import os
import shutil
import struct
import tokenize
import warnings
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np

from envlab.errors import EnvlabWarning, FileError
from envlab.units import FloatArray

Columns = dict[str, FloatArray]

# What reading an archive raises whose bytes are not what was written; RuntimeError: it seems encrypted, or
# packed in some unknown way; TokenError, SyntaxError: an array's header that is cut short.
_DAMAGE = (
    OSError, ValueError, KeyError, TypeError, EOFError, MemoryError, RuntimeError, SyntaxError,
    zipfile.BadZipFile, tokenize.TokenError, zlib.error, lzma.LZMAError, struct.error,
)  # fmt: skip
_NONE = np.empty(0)


@dataclass(frozen=True)
class Checkpoint:
    """Finished steps of one question in one folder.

    question: text that holds everything the results depend on; a step is taken up again only if it was made
    for the same text. A file that is damaged or belongs to another question is computed anew, and said so.
    """

    folder: Path
    question: str

    @property
    def mark(self) -> str:
        """SHA-256 of the question."""
        return hashlib.sha256(self.question.encode()).hexdigest()

    def prepare(self) -> None:
        """Raise FileError now, not after hours of work, if nothing can be written into the folder."""
        trial = self.folder / "trial.partial"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            trial.touch()
            trial.unlink()
        except OSError as problem:
            raise FileError(f"{self.folder}: cannot be written ({problem.strerror})") from None

    def step(self, name: str, compute: Callable[[], Columns]) -> Columns:
        """Return the columns of a step: from its file if that is whole and ours, else computed and kept."""
        path = self.folder / f"{name}.npz"
        if path.exists():
            known = self._load(path)
            if known is not None:
                return known
        columns = compute()
        self.prepare()
        self._save(path, columns)
        return columns

    def done(self) -> list[str]:
        """Names of the steps whose files are there."""
        return sorted(path.stem for path in self.folder.glob("*.npz"))

    def remove(self) -> None:
        """Forget every step, once the result is written."""
        shutil.rmtree(self.folder, ignore_errors=True)

    def _load(self, path: Path) -> Columns | None:
        try:
            # Opened here, so that it is closed also where numpy finds that it is no archive.
            with path.open("rb") as file, np.load(file, allow_pickle=False) as stored:
                _check_stored(path, file)
                columns = {name: stored[name] for name in stored.files}
                if not all(isinstance(values, np.ndarray) for values in columns.values()):
                    raise ValueError("what lies in it is no array")
        except _DAMAGE:
            _warn_of_damage(path)
            return None
        if str(columns.pop("question", self.mark)) != self.mark:
            warnings.warn(
                f"{path}: belongs to another question; this step is computed anew",
                EnvlabWarning,
                stacklevel=3,
            )
            return None
        # An archive's checksums cover what is in it, not its table of contents: a damaged one hides columns.
        if columns.pop("digest", _NONE).tobytes() != _digest(columns):
            _warn_of_damage(path)
            return None
        return columns

    def _save(self, path: Path, columns: Columns) -> None:
        partial = path.with_suffix(".partial")
        try:
            with partial.open("wb") as file:
                digest = np.frombuffer(_digest(columns), dtype=np.uint8)
                arrays: dict[str, Any] = {"question": np.array(self.mark), "digest": digest, **columns}
                np.savez(file, **arrays)
                file.flush()
                os.fsync(file.fileno())
            partial.replace(path)
        except OSError as problem:
            with contextlib.suppress(OSError):  # what is half-written goes, and the folder if that was all
                partial.unlink(missing_ok=True)
                self.folder.rmdir()
            raise FileError(f"{path}: cannot be written ({problem.strerror})") from None


def _check_stored(path: Path, file: IO[bytes]) -> None:
    """ValueError for an archive that unpacks to more than it is long, or whose arrays claim to.

    What was kept is not packed; asking numpy would ask for the memory first.
    """
    with zipfile.ZipFile(file) as archive:
        for info in archive.infolist():
            if info.compress_type != zipfile.ZIP_STORED or info.file_size > path.stat().st_size:
                raise ValueError("packed, or longer than the file")
            with archive.open(info) as member:
                version = np.lib.format.read_magic(member)
                if version != (1, 0):
                    raise ValueError("an array of another format")
                shape, _, kind = np.lib.format.read_array_header_1_0(member)
                if math.prod(shape) * kind.itemsize > info.file_size:
                    raise ValueError("an array that claims to be longer than it is")


def _digest(columns: Columns) -> bytes:
    """SHA-256 of names and values."""
    known = hashlib.sha256()
    for name, values in columns.items():
        known.update(f"{name} {values.dtype} {values.shape};".encode())
        known.update(np.ascontiguousarray(values).tobytes())
    return known.digest()


def _warn_of_damage(path: Path) -> None:
    warnings.warn(f"{path}: is damaged; this step is computed anew", EnvlabWarning, stacklevel=4)
