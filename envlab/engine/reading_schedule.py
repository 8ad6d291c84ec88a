"""Which readings of a converter are wanted, and where they fall among the samples, block by block."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from envlab.analog.adc import Adc, stamps_of
from envlab.engine.board import Board
from envlab.units import FloatArray, IntArray

_AT_ONCE = 4096


@dataclass(frozen=True)
class Wanted:
    """Readings in their order, named piece by piece, so that a long list need not be there as a whole.

    count: how many. names: of two places in the list, the indices of the readings from the first to before
    the second, rising.
    """

    count: int
    names: Callable[[int, int], IntArray]


def wanted(index: IntArray) -> Wanted:
    """Return the readings of this index, rising, shape (readings,)."""
    return Wanted(index.size, lambda first, last: index[first:last])


def every_reading(count: int) -> Wanted:
    """Return the first readings, all of them."""
    return Wanted(count, np.arange)


def frame_readings(board: Board, frames: int) -> Wanted:
    """Return the readings that the first frames show."""
    return Wanted(frames, lambda first, last: board.reading_of_frame(last, first))


class Named:
    """Hands out the names of wanted readings as the readings come by; few are known ahead."""

    def __init__(self, readings: Wanted) -> None:
        self._readings, self._named = readings, 0
        self._index: IntArray = np.empty(0, dtype=np.int64)

    def before(self, reading: int) -> IntArray:
        """Return the indices, rising, of those before a reading that were not handed out yet."""
        while self._named < self._readings.count and not (self._index.size and self._index[-1] >= reading):
            last = min(self._named + _AT_ONCE, self._readings.count)
            more = np.asarray(self._readings.names(self._named, last))
            self._index, self._named = np.concatenate((self._index, more)), last
        due = int(np.searchsorted(self._index, reading))
        named, self._index = self._index[:due], self._index[due:]
        return named


@dataclass(frozen=True, eq=False)
class Block:
    """Readings of one block: upper counted from its first sample, fraction (see stamps_of), noise in LSB."""

    upper: IntArray
    fraction: FloatArray
    noise_lsb: FloatArray


class Due:
    """Hands out wanted readings as the blocks of internal samples come by; draws the converter's noise."""

    def __init__(
        self, readings: Wanted, adc: Adc, samples: int, rate_hz: float, noise: np.random.Generator | None
    ) -> None:
        self._readings, self._adc, self._samples, self._rate_hz = readings, adc, samples, rate_hz
        self._noise, self._drawn = noise, 0
        self._named = 0
        self._index, self._upper = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
        self._fraction: FloatArray = np.empty(0)

    def before(self, start: int, stop: int) -> Block:
        """Return the readings of the block from start to before stop; blocks in their order."""
        while self._named < self._readings.count and not (self._upper.size and self._upper[-1] >= stop):
            self._name_more()
        due = int(np.searchsorted(self._upper, stop))
        index = self._index[:due]
        block = Block(self._upper[:due] - start, self._fraction[:due], self._noise_of(index))
        self._index, self._upper = self._index[due:], self._upper[due:]
        self._fraction = self._fraction[due:]
        return block

    def _name_more(self) -> None:
        last = min(self._named + _AT_ONCE, self._readings.count)
        index = np.asarray(self._readings.names(self._named, last))
        upper, fraction = stamps_of(index / self._adc.rate_hz, self._samples, self._rate_hz)
        self._index = np.concatenate((self._index, index))
        self._upper = np.concatenate((self._upper, upper))
        self._fraction = np.concatenate((self._fraction, fraction))
        self._named = last

    def _noise_of(self, index: IntArray) -> FloatArray:
        """Every reading has its noise, wanted or not, so that the wanted ones hear what all would."""
        if self._noise is None or not index.size:
            return np.zeros(index.size)
        drawn = self._noise.standard_normal(int(index[-1]) + 1 - self._drawn)
        noise: FloatArray = self._adc.noise_lsb * drawn[index - self._drawn]
        self._drawn = int(index[-1]) + 1
        return noise
