"""The most cycles that one call can take, found by a search over states and words, not by watching music."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from .avr import AvrMachine
from .driver import C_FOLDER, Driver, Image


def as_they_are(stimuli: np.ndarray) -> np.ndarray:
    """Return stimuli unchanged: every state may come."""
    return stimuli


@dataclass(frozen=True)
class Timed:
    """A function of a state and a word.

    state_bytes: size of the state, which lies without gaps on the 8-bit machine. sources: file names of the
    runtime that it needs. possible: makes states that can come out of any, in place.
    """

    function: str
    header: str
    state_type: str
    state_bytes: int
    sources: tuple[str, ...]
    possible: Callable[[np.ndarray], np.ndarray] = field(default=as_they_are)

    def driver(self, firmware: Path) -> Driver:
        """Return the driver for a firmware folder."""
        defines = (
            f'TIMED_HEADER="{self.header}"',
            f"STATE_TYPE={self.state_type}",
            f"TIMED_CALL={self.function}",
        )
        files = (C_FOLDER / "worst_driver.c", *(firmware / name for name in self.sources))
        return Driver(files, self.state_bytes + 2, 5, include=(firmware,), defines=defines)


@dataclass(frozen=True)
class Bench:
    """A built program and the machine that runs it: stimuli in, cycles out."""

    machine: AvrMachine
    image: Image
    timed: Timed

    def cycles(self, stimuli: np.ndarray) -> np.ndarray:
        """Return the cycles (n,) of each call; stimuli (n, bytes): state, then the word."""
        records = self.machine.cycles_of_each(
            self.image, stimuli.tobytes(), self.timed.function, counter="driver_cycles"
        )
        found = np.frombuffer(records, np.dtype([("cycles", "<u4"), ("state_bytes", "u1")]))
        assert set(found["state_bytes"]) == {self.timed.state_bytes}, "the state has another size"
        counts: np.ndarray = found["cycles"].astype(np.int64)
        assert counts.min() > 0, "a call was not timed"
        return counts

    def random(self, rng: np.random.Generator, count: int) -> np.ndarray:
        """Return stimuli (count, bytes): words of all sizes, and the ends of every byte more often."""
        size = self.timed.state_bytes + 2
        stimuli = rng.integers(0, 256, (count, size), dtype=np.uint8)
        stimuli[rng.random((count, size)) < 0.15] = 0
        stimuli[rng.random((count, size)) < 0.10] = 255
        words = (2.0 ** rng.uniform(0, 16, count)).astype(np.int64).clip(0, 65_535)
        stimuli[:, -2], stimuli[:, -1] = words & 0xFF, words >> 8
        return self.timed.possible(stimuli)


def bench(machine: AvrMachine, timed: Timed, firmware: Path, folder: Path) -> Bench:
    """Build one function for a machine with the headers of one design."""
    folder.mkdir(parents=True, exist_ok=True)
    return Bench(machine, machine.build(timed.driver(firmware), folder), timed)


def search(built: Bench, *, seed: int = 1, rounds: int = 20, size: int = 1500) -> tuple[int, np.ndarray]:
    """Return the most cycles found and the stimulus that takes them.

    Each round keeps the slowest calls, changes bytes and bits of them, crosses two, and adds new ones.
    """
    rng = np.random.default_rng(seed)
    pool = built.random(rng, size)
    counts = built.cycles(pool)
    for _ in range(rounds):
        best = np.argsort(-counts, kind="stable")[: size // 10]
        kept, kept_counts = pool[best], counts[best]
        children = built.timed.possible(_children(rng, kept, size - len(kept) - size // 10))
        fresh = np.concatenate([children, built.random(rng, size // 10)])
        pool = np.concatenate([kept, fresh])
        counts = np.concatenate([kept_counts, built.cycles(fresh)])
    slowest = int(np.argmax(counts))
    return int(counts[slowest]), pool[slowest]


def most_of_random(built: Bench, steps: int, *, seed: int = 2, batch: int = 50_000) -> int:
    """Return the most cycles of so many random calls."""
    rng = np.random.default_rng(seed)
    most = 0
    for first in range(0, steps, batch):
        most = max(most, int(built.cycles(built.random(rng, min(batch, steps - first))).max()))
    return most


def _children(rng: np.random.Generator, parents: np.ndarray, count: int) -> np.ndarray:
    width = parents.shape[1]
    first = parents[rng.integers(0, len(parents), count)]
    second = parents[rng.integers(0, len(parents), count)]
    mixed = np.where(rng.random((count, width)) < 0.3, second, first)
    changed = rng.random((count, width)) < 1.5 / width
    mixed = np.where(changed, rng.integers(0, 256, (count, width)), mixed).astype(np.uint8)
    flipped = rng.random((count, width)) < 1.0 / width
    return mixed ^ np.where(flipped, 1 << rng.integers(0, 8, (count, width)), 0).astype(np.uint8)
