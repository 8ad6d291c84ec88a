"""Samples in the portions that somebody wants, out of the pieces in which they come."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np

from envlab.units import FloatArray

Pieces = Iterable[FloatArray]
_PASSED = 1 << 16


class Feed:
    """Hands out a signal, arrays of shape (n,) in a row, in portions of any length."""

    def __init__(self, pieces: Pieces) -> None:
        self._pieces: Iterator[FloatArray] = iter(pieces)
        self._rest: FloatArray = np.empty(0)

    def take(self, count: int) -> FloatArray:
        """Return the next count samples; fewer only where the signal ends."""
        portion: list[FloatArray] = []
        missing = count
        while missing > 0:
            if not self._rest.size:
                following = next(self._pieces, None)
                if following is None:
                    break
                self._rest = following
            portion.append(self._rest[:missing])
            self._rest = self._rest[missing:]
            missing -= portion[-1].size
        if len(portion) == 1:
            return portion[0]
        return np.concatenate(portion) if portion else np.empty(0)

    def skip(self, count: int) -> None:
        """Pass over the next count samples."""
        missing = count
        while missing > 0 and (passed := self.take(min(missing, _PASSED)).size):
            missing -= passed

    def take_padded(self, count: int) -> FloatArray:
        """Return the next count samples, silence after the end."""
        known = self.take(count)
        return known if known.size == count else np.concatenate((known, np.zeros(count - known.size)))


def stretch(pieces: Pieces, first: int, last: int) -> FloatArray:
    """Return the samples from first to before last; fewer where the signal ends."""
    feed = Feed(pieces)
    feed.skip(first)
    return feed.take(last - first)


def telling(pieces: Pieces, samples: int, tell: Callable[[float], None]) -> Iterator[FloatArray]:
    """Yield the pieces of a signal of about so many samples; tell: called with the share that has gone by."""
    gone = 0
    for piece in pieces:
        yield piece
        gone += piece.size
        tell(min(1.0, gone / max(1, samples)))


def regrouped(pieces: Pieces, size: int) -> Iterator[FloatArray]:
    """Yield the signal in pieces of size samples, the last one shorter."""
    feed = Feed(pieces)
    while (piece := feed.take(size)).size:
        yield piece
