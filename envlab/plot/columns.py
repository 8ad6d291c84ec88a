"""A long signal drawn at the width of a picture: lowest and highest value of each column, nothing lost."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from envlab.units import FloatArray, IntArray


class Columns(NamedTuple):
    """time_s, low, high: shape (columns,), middle of each column and the extremes inside it."""

    time_s: FloatArray
    low: FloatArray
    high: FloatArray


def columns_of(
    signal: FloatArray | IntArray,
    rate_hz: float,
    span_s: tuple[float, float],
    *,
    stamp: float = 0.0,
    most: int = 900,
) -> Columns:
    """Return the extremes of a signal (n,) between two times, in at most so many columns.

    Sample n stands at (n + stamp)/rate_hz. A span with fewer samples than columns
    comes back sample by sample.
    """
    first = max(0, int(np.ceil(span_s[0] * rate_hz - stamp - 1e-9)))
    last = min(signal.size, int(np.floor(span_s[1] * rate_hz - stamp + 1e-9)) + 1)
    part = np.asarray(signal[first:last], dtype=np.float64)
    if part.size == 0:
        return Columns(part, part, part)
    starts = column_starts(part.size, most)
    ends = np.append(starts[1:], part.size)
    time_s = (first + (starts + ends - 1) / 2 + stamp) / rate_hz
    return Columns(time_s, np.minimum.reduceat(part, starts), np.maximum.reduceat(part, starts))


def column_starts(size: int, most: int) -> IntArray:
    """Return the first of size samples in each of so many columns at most, shape (columns,)."""
    columns = max(1, min(most, size))
    return np.arange(columns, dtype=np.int64) * size // columns
