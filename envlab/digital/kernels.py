"""Compiled loops of the followers, on counts of envelope; each leaves in ``state`` (rows, values) the end.

rows, result: shape (rows, readings), result is filled.

Rows are copied number by number: a slice that is given another's values brings numba's words for shapes that
differ into each loop, which take two seconds to compile.
"""

from __future__ import annotations

import numpy as np

from envlab.files.compiling import compiled_with
from envlab.units import FloatArray


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def attack_release_rows(
    rows: FloatArray, state: FloatArray, rise: float, fall: float, result: FloatArray
) -> None:
    """y += rise*(x - y) while x > y, else y += fall*(x - y)."""
    for r in range(rows.shape[0]):
        y = state[r, 0]
        for n in range(rows.shape[1]):
            difference = rows[r, n] - y
            y += (rise if difference > 0.0 else fall) * difference
            result[r, n] = y
        state[r, 0] = y


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def peak_hold_rows(
    rows: FloatArray, state: FloatArray, hold_periods: int, keep: float, result: FloatArray
) -> None:
    """A new peak starts the hold; after it y falls by ``keep`` a period, but not below x."""
    for r in range(rows.shape[0]):
        y, left = state[r, 0], state[r, 1]
        for n in range(rows.shape[1]):
            x = rows[r, n]
            if x >= y:
                y, left = x, float(hold_periods)
            elif left > 0.0:
                left -= 1.0
            else:
                y = max(x, y * keep)
            result[r, n] = y
        state[r, 0], state[r, 1] = y, left


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def mean_square_rows(rows: FloatArray, state: FloatArray, rise: float, result: FloatArray) -> None:
    """s += rise*(x*x - s); the root of s is the result."""
    for r in range(rows.shape[0]):
        s = state[r, 0]
        for n in range(rows.shape[1]):
            x = rows[r, n]
            s += rise * (x * x - s)
            # A rounding error of the last place may leave s a hair under zero after a loud passage.
            result[r, n] = np.sqrt(max(s, 0.0))
        state[r, 0] = s


@compiled_with(nogil=True)
def _take_up(values: FloatArray, before: FloatArray, row: FloatArray) -> None:
    """Write what is remembered, and behind it the row, into values."""
    for k in range(before.size):
        values[k] = before[k]
    for n in range(row.size):
        values[before.size + n] = row[n]


@compiled_with(nogil=True)
def _remember(values: FloatArray, row: FloatArray) -> None:
    """Write the last of the values into a row of the state."""
    for k in range(row.size):
        row[k] = values[values.size - row.size + k]


@compiled_with(nogil=True, error_model="numpy")
def moving_mean_rows(rows: FloatArray, state: FloatArray, window: int, result: FloatArray) -> None:
    """Mean of the last ``window`` inputs, each added up anew, the oldest first.

    A sum that is carried on would leave rounding errors behind, other ones for another cut into blocks.
    """
    past, count = window - 1, rows.shape[1]
    values = np.empty(past + count)
    for r in range(rows.shape[0]):
        _take_up(values, state[r], rows[r])
        for n in range(count):
            result[r, n] = 0.0
        # One input of each window at a time: the sums stand side by side in vector lanes.
        for k in range(window):
            for n in range(count):
                result[r, n] += values[k + n]
        for n in range(count):
            result[r, n] /= window
        _remember(values, state[r])


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def moving_maximum_rows(rows: FloatArray, state: FloatArray, window: int, result: FloatArray) -> None:
    """Largest of the last ``window`` inputs, by a queue of falling candidates, in one pass."""
    past, count = window - 1, rows.shape[1]
    values = np.empty(past + count)
    queue = np.empty(past + count, np.int64)
    for r in range(rows.shape[0]):
        _take_up(values, state[r], rows[r])
        head, tail = 0, 0
        for n in range(past + count):
            while tail > head and values[queue[tail - 1]] <= values[n]:
                tail -= 1
            queue[tail] = n
            tail += 1
            if queue[head] <= n - window:
                head += 1
            if n >= past:
                result[r, n - past] = values[queue[head]]
        _remember(values, state[r])
