"""The verdict notices each thing that no reader may do."""

from __future__ import annotations

import time
import warnings
from pathlib import Path

import numpy as np
import pytest
from fuzz import verdict as judged
from fuzz.verdict import FindingError, Reader, verdict

from envlab.errors import EnvlabError, EnvlabWarning


def reader(does) -> Reader:
    return Reader("made", ".bin", list, does)


def raises(problem: BaseException):
    def does(_: Path) -> int:
        raise problem

    return does


def two_lines(_: Path) -> int:
    problem = EnvlabError("one")
    problem.args = ("one\ntwo",)
    raise problem


def warns(_: Path) -> int:
    warnings.warn("of a library", RuntimeWarning, stacklevel=1)
    return 0


def takes_long(_: Path) -> int:
    until = time.process_time() + 0.05
    while time.process_time() < until:
        pass
    return 0


def takes_memory(_: Path) -> int:
    return int(np.zeros(judged.ROOM_BYTES // 4)[0])


@pytest.mark.parametrize(
    ("does", "said"),
    [
        (raises(KeyError("x")), "KeyError at"),
        (raises(AssertionError("wrong")), "AssertionError at"),
        (raises(MemoryError()), "MemoryError at"),
        (two_lines, "no short line"),
        (raises(EnvlabError("")), "no short line"),
        (warns, "RuntimeWarning at"),
        (takes_long, "of processor time"),
        (takes_memory, "bytes of memory"),
    ],
)
def test_it_notices(does, said, tmp_path, monkeypatch):
    monkeypatch.setattr(judged, "WAIT_S_PER_KB", 0.02 if does is takes_long else 60.0)
    with pytest.raises(FindingError, match=said):
        verdict(reader(does), b"x" * 500, tmp_path, memory=True)


def test_it_lets_right_results_and_one_line_pass(tmp_path):
    def warned(path: Path) -> int:
        warnings.warn("silent", EnvlabWarning, stacklevel=1)
        return len(path.read_bytes())

    assert verdict(reader(warned), b"abc", tmp_path) == "read"
    assert verdict(reader(raises(EnvlabError("one line"))), b"", tmp_path, memory=True) == "refused"
