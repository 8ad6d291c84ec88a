"""Percentiles, straight between samples: which samples in order they lie between, and how far.

And the samples at some ranks, of many rows at once, of which hardly any is kept.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from envlab.errors import EnvlabError
from envlab.units import FloatArray, IntArray


class Between(NamedTuple):
    """low, high: ranks of two neighbouring samples in rising order, 0 the least; share: of the way up."""

    low: int
    high: int
    share: float

    def of(self, at_low: NDArray[Any], at_high: NDArray[Any]) -> FloatArray:
        """Return the percentile from the samples at the two ranks, at_low and at_high, any shape and unit."""
        return np.asarray(at_low + self.share * (at_high - at_low), dtype=np.float64)


def percentile(percent: float, samples: int) -> Between:
    """Return where a percentile of so many samples lies: (samples − 1)·percent/100 ranks above the least."""
    place = (samples - 1) * (percent / 100)
    low = int(np.floor(place))
    return Between(low, min(low + 1, samples - 1), place - low)


class RankedEnvelopes:
    """The envelopes at some ranks, of each of many chains, in two looks at all of their frames.

    The first look counts how many fall into each of some ten thousand bins; the second keeps what falls into
    the bins in which the ranks lie, some hundredths of all, and sorts that.
    """

    # Each octave from 2^-12 counts to 2^16 has 512 bins; under it lies one, and nothing above.
    _SHIFT, _BINS = 43, 28 * 512 + 1
    _LOWEST = int(np.float64(2.0**-12).view(np.int64) >> 43) - 1
    BYTES = 4 * _BINS

    def __init__(self, chains: int, ranks: Sequence[int]) -> None:
        """ranks: 0 the least, in any order."""
        self._ranks = np.array(ranks)
        self._seen = np.zeros((chains, self._BINS), dtype=np.int32)
        self._wanted = np.zeros((chains, self._ranks.size), dtype=np.int64)
        self._found = np.empty((chains, self._ranks.size))
        self._starts, self._ends, self._limits = (np.zeros(chains, dtype=np.int64) for _ in range(3))
        self._kept = np.empty(0, dtype=np.int64)

    def count(self, rows: IntArray, envelopes: FloatArray) -> None:
        """First look. rows: which chains. envelopes: of their next frames, counts, shape (rows, frames)."""
        from envlab.metrics import metric_kernels

        metric_kernels.count_bins(_bits(envelopes), self._LOWEST, self._SHIFT, rows, self._seen)

    def lots(
        self, most_bytes: float, tell: Callable[[float], None]
    ) -> Iterator[tuple[IntArray, Callable[[float], None]]]:
        """Yield chains that can have their second look together; behind each of them settle is to be called.

        most_bytes: bytes for what is kept of a lot, at least one chain. tell: called with the share of all
        lots that is done. With each lot comes what is told the share of it.
        """
        asked = np.flatnonzero(self._seen.any(axis=1))
        sizes = np.empty(asked.size, dtype=np.int64)
        for place, row in enumerate(asked):
            seen = self._seen[row]
            self._wanted[row] = np.searchsorted(np.cumsum(seen), self._ranks, side="right")
            sizes[place] = seen[np.unique(self._wanted[row])].sum()
        first = 0
        while first < asked.size:
            many = max(1, int(np.searchsorted(np.cumsum(sizes[first:]), most_bytes / 8, side="right")))
            lot = slice(first, min(first + many, asked.size))
            ends = np.concatenate(([0], np.cumsum(sizes[lot])))
            self._kept = np.empty(ends[-1], dtype=np.int64)
            self._starts[asked[lot]], self._limits[asked[lot]] = ends[:-1], ends[1:]
            self._ends = self._starts.copy()
            yield asked[lot], functools.partial(_part, tell, first / asked.size, many / asked.size)
            first = lot.stop

    def keep(self, rows: IntArray, envelopes: FloatArray) -> None:
        """Second look, at chains of the lot; arguments as count."""
        from envlab.metrics import metric_kernels

        metric_kernels.keep_bins(
            _bits(envelopes),
            self._LOWEST, self._SHIFT, self._BINS,
            rows, self._wanted, self._ends, self._limits, self._kept,
        )  # fmt: skip

    def settle(self, rows: IntArray) -> None:
        """Find what stands at the ranks of a lot, once its second look is over.

        Raises EnvlabError if the second look did not see what the first one saw.
        """
        if not np.array_equal(self._ends[rows], self._limits[rows]):
            raise EnvlabError("a clip sounded otherwise when it was played again; run it once more")
        for row in rows:
            ordered = np.sort(self._kept[self._starts[row] : self._ends[row]])
            left = self._seen[row].copy()
            left[self._wanted[row]] = 0
            below = np.cumsum(left)
            places = self._ranks - below[self._wanted[row]]
            self._found[row] = ordered[places].view(np.float64)

    def at_ranks(self, rows: IntArray) -> FloatArray:
        """Return the envelopes at the ranks, counts, shape (rows, ranks), once all lots are settled."""
        return self._found[rows]


def _part(tell: Callable[[float], None], begun: float, whole: float, share: float) -> None:
    tell(min(1.0, begun + whole * share))


def _bits(envelopes: FloatArray) -> IntArray:
    """The bits of numbers that are not negative, which rise as the numbers do."""
    return np.ascontiguousarray(envelopes, dtype=np.float64).view(np.int64)
