"""One clip through many chains at once: what each chain's ADC reads, as Chain.run gives it chain by chain."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from envlab.engine.board import Board
from envlab.engine.play import play
from envlab.engine.reading_schedule import wanted
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Readings:
    """counts: shape (chains, readings), ADC counts above quiescent, not negative.

    clipped_share: shape (chains,), share of internal samples at which microphone or preamp was at its limit.
    """

    counts: IntArray
    clipped_share: FloatArray


def read_chains(
    recording: Sound,
    chains: Sequence[Board],
    reading_index: IntArray,
    *,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Readings:
    """Return the ADC counts of every chain at the readings named (0 is at time 0, 1 one ADC period later).

    reading_index: rising, shape (readings,). The rest as play, which keeps none of them.
    """
    counts = np.empty((len(chains), reading_index.size), dtype=np.int64)
    clipped_share = play(
        recording,
        chains,
        wanted(reading_index),
        lambda places: _Keep(counts, places),
        seed=seed,
        workers=workers,
        progress=progress,
    )
    return Readings(counts, clipped_share)


class _Keep:
    """Writes what some chains read into the rows of all."""

    def __init__(self, counts: IntArray, places: IntArray) -> None:
        self._counts, self._places, self._done = counts, places, 0

    def take(self, counts: NDArray[np.int32]) -> None:
        """See play.Reader."""
        after = self._done + counts.shape[1]
        self._counts[self._places, self._done : after] = counts
        self._done = after
