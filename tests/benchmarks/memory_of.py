"""The largest memory of a command, and of it and all that it starts together, while it runs."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

EVERY_S = 0.1


@dataclass(frozen=True)
class Used:
    """alone_mb: the largest resident set of the command itself, to a tenth of a second before its end.

    together_mb: the largest sum over it and all that it had started, pages that several share counted once
    among them (proportional sets); the same as alone_mb if it started nothing. wall_s, busy_s: time, and
    processor time of all of them. status: how it ended. What the system itself says of a command that has
    ended is the larger of it and what it started, which is neither.
    """

    alone_mb: float
    together_mb: float
    wall_s: float
    busy_s: float
    status: int


def memory_of(words: Sequence[str]) -> Used:
    """Run a command in a process of its own, with nothing on its standard output, and watch it."""
    began = time.perf_counter()
    with Path(os.devnull).open("wb") as nowhere:
        streams = [(os.POSIX_SPAWN_DUP2, nowhere.fileno(), 1)]
        process = os.posix_spawn(words[0], list(words), os.environ, file_actions=streams)
        watch = _Watch(process)
        _, status, used = os.wait4(process, 0)
        watch.end()
    return Used(
        watch.alone_mb,
        max(watch.together_mb, watch.alone_mb),
        time.perf_counter() - began,
        used.ru_utime + used.ru_stime,
        os.waitstatus_to_exitcode(status),
    )


class _Watch:
    """Looks at the memory of a process and its descendants again and again. Linux."""

    def __init__(self, process: int) -> None:
        self._process, self._over = process, threading.Event()
        self.alone_mb = self.together_mb = 0.0
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while not self._over.wait(EVERY_S):
            self.alone_mb = max(self.alone_mb, _told_mb(f"/proc/{self._process}/status", "VmHWM:"))
            started = descendants(self._process)
            if started:
                sizes_mb = [
                    _told_mb(f"/proc/{one}/smaps_rollup", "Pss:") for one in (self._process, *started)
                ]
                self.together_mb = max(self.together_mb, sum(sizes_mb))

    def end(self) -> None:
        """Stop looking."""
        self._over.set()
        self._thread.join()


def descendants(process: int) -> list[int]:
    """Return the processes that a process started, and those that these started."""
    found = []
    for task in Path(f"/proc/{process}/task").glob("*/children"):
        try:
            found += [int(word) for word in task.read_text().split()]
        except OSError:
            continue
    return found + [below for one in found for below in descendants(one)]


def _told_mb(file: str, name: str) -> float:
    """Return what the system tells under a name, MB; 0 if the process is gone."""
    try:
        lines = Path(file).read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) * 1024 / 1e6 for line in lines if line.startswith(name))
