"""The most cycles that one call can take, found by a search over states and words, not by watching music."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from .avr import AvrMachine
from .driver import C_FOLDER, Driver, Image


@dataclass(frozen=True)
class Timed:
    """A function of a state and a word.

    state_bytes: size of the state, which lies without gaps on the 8-bit machine. sources: file names of the
    runtime that it needs.
    """

    function: str
    header: str
    state_type: str
    state_bytes: int
    sources: tuple[str, ...]

    def driver(self, firmware: Path) -> Driver:
        """Return the driver for a firmware folder."""
        defines = (
            f'TIMED_HEADER=\\"{self.header}\\"'.replace("\\", ""),
            f"STATE_TYPE={self.state_type}",
            f"TIMED_CALL={self.function}",
        )
        files = (C_FOLDER / "worst_driver.c", *(firmware / name for name in self.sources))
        return Driver(files, self.state_bytes + 2, 4, include=(firmware,), defines=defines)


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
        counts = np.frombuffer(records, "<u4").astype(np.int64)
        assert counts.min() > 0, "a call was not timed"
        return counts


def bench(machine: AvrMachine, timed: Timed, firmware: Path, folder: Path) -> Bench:
    """Build one function for a machine with the headers of one design."""
    folder.mkdir(parents=True, exist_ok=True)
    return Bench(machine, machine.build(timed.driver(firmware), folder), timed)


def random_stimuli(rng: np.random.Generator, count: int, size: int) -> np.ndarray:
    """Return stimuli (count, size): words of all sizes, half of them small, and the ends of every byte."""
    stimuli = rng.integers(0, 256, (count, size), dtype=np.uint8)
    stimuli[rng.random((count, size)) < 0.15] = 0
    stimuli[rng.random((count, size)) < 0.10] = 255
    words = (2.0 ** rng.uniform(0, 16, count)).astype(np.int64).clip(0, 65_535)
    stimuli[:, -2], stimuli[:, -1] = words & 0xFF, words >> 8
    return stimuli


def search(built: Bench, *, seed: int = 1, rounds: int = 12, size: int = 1500) -> tuple[int, np.ndarray]:
    """Return the most cycles found and the stimulus that takes them.

    Each round keeps the slowest calls, changes bytes and bits of them, crosses two of them, and adds new
    ones."""
    rng = np.random.default_rng(seed)
    width = built.timed.state_bytes + 2
    pool = random_stimuli(rng, size, width)
    counts = built.cycles(pool)
    for _ in range(rounds):
        best = np.argsort(-counts, kind="stable")[: size // 10]
        kept, kept_counts = pool[best], counts[best]
        children = _children(rng, kept, size - len(kept) - size // 10, width)
        fresh = np.concatenate([children, random_stimuli(rng, size // 10, width)])
        pool = np.concatenate([kept, fresh])
        counts = np.concatenate([kept_counts, built.cycles(fresh)])
    slowest = int(np.argmax(counts))
    return int(counts[slowest]), pool[slowest]


def _children(rng: np.random.Generator, parents: np.ndarray, count: int, width: int) -> np.ndarray:
    first = parents[rng.integers(0, len(parents), count)]
    second = parents[rng.integers(0, len(parents), count)]
    mixed = np.where(rng.random((count, width)) < 0.3, second, first)
    changed = rng.random((count, width)) < 1.5 / width
    mixed = np.where(changed, rng.integers(0, 256, (count, width)), mixed).astype(np.uint8)
    flipped = rng.random((count, width)) < 1.0 / width
    return mixed ^ np.where(flipped, 1 << rng.integers(0, 8, (count, width)), 0).astype(np.uint8)
