"""What a reader may do with any bytes at all: give a right result, or say in one line what is wrong.

Nothing else is allowed: no other exception, no warning of a library, no line break in the line, no wait over
WAIT_S_PER_KB a kilobyte of input, no memory over what the reader states.
"""

from __future__ import annotations

import time
import traceback
import tracemalloc
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from envlab.errors import MOST_SAID, EnvlabError, EnvlabWarning

WAIT_S_PER_KB = 2.0
# Beyond what the result itself takes: buffers of a few pieces, and text as Python keeps it while it is read.
ROOM_BYTES, ROOM_PER_INPUT_BYTE = 24_000_000, 400
COPIES_OF_RESULT = 6


@dataclass(frozen=True)
class Reader:
    """suffix: what its files are called. seeds: inputs that it reads. read: reads a file, holds the result
    against what it must be (AssertionError), and returns how many bytes the result takes."""

    name: str
    suffix: str
    seeds: Callable[[], list[bytes]]
    read: Callable[[Path], int]


class FindingError(Exception):
    """What no reader may do; its text says what, and where in envlab."""


def verdict(reader: Reader, data: bytes, folder: Path, *, memory: bool = False) -> str:
    """Return "read" or "refused"; FindingError for all else. memory: traced too, at twice the time."""
    path = folder / f"input{reader.suffix}"
    path.write_bytes(data)
    started = time.process_time()
    if memory:
        tracemalloc.start()
    try:
        said, result_bytes = _read(reader, path)
        peak = tracemalloc.get_traced_memory()[1] if memory else 0
    finally:
        if memory:
            tracemalloc.stop()
    took_s = time.process_time() - started
    if took_s > WAIT_S_PER_KB * max(1.0, len(data) / 1000):
        raise FindingError(f"took {took_s:.1f} s of processor time over {len(data)} bytes")
    room = ROOM_BYTES + ROOM_PER_INPUT_BYTE * len(data) + COPIES_OF_RESULT * result_bytes
    if peak > room:
        raise FindingError(f"took {peak} bytes of memory over {len(data)} bytes; {room} are allowed")
    return said


def _read(reader: Reader, path: Path) -> tuple[str, int]:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", EnvlabWarning)
        try:
            return "read", reader.read(path)
        except EnvlabError as problem:
            line = str(problem)
            if not line or not line.isprintable() or len(line) > MOST_SAID:
                raise FindingError(f"says no short line: {line[:200]!r}") from problem
            return "refused", 0
        except Exception as problem:
            text = f"{type(problem).__name__} at {_place(problem)}: {str(problem)[:200]}"
            raise FindingError(text) from problem


def _place(problem: BaseException) -> str:
    """The innermost line of envlab on the way to an exception; of the tests if there is none."""
    steps = traceback.extract_tb(problem.__traceback__)
    inside = [step for step in steps if "envlab" in Path(step.filename).parts[:-1]]
    named = [step for step in inside if "tests" not in Path(step.filename).parts] or steps[-1:]
    return f"{Path(named[-1].filename).name}:{named[-1].name}:{named[-1].line}"
