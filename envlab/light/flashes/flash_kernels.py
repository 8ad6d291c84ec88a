"""Compiled counting of opposing changes within a sliding second; the rule is stated in flash.py.

Why the fast way equals the slow one. Within one window the longest alternating chain is found greedily: take
each change at the first frame that completes it. Over the whole row one such greedy pass notes the frames
where it completes a change. A pass that starts afresh inside the row stays within one change of that pass,
because the older pass has seen every extreme that the younger one has: so a window with g noted changes holds
at most g + 1. Only windows that may still beat the best count are walked.

luminance: relative, 0..1, shape (frames,) or (rows, frames).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.files.compiling import compiled_with
from envlab.light.flashes.sliding_window import window_reach
from envlab.light.lightness import check_unit_interval
from envlab.units import FloatArray, IntArray

# A change of exactly 10 %, such as 0.3 to 0.2, must count although the difference is 0.0999…
LEAST_CHANGE = 0.1 - 1e-9
# Exactly 0.80 is not below it, also where a duty over the full duty comes out as 0.7999…
DARKER_BELOW = 0.80 - 1e-9
_NONE, _ROSE, _FELL = 0, 1, 2


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def completions(luminance: NDArray[np.float64], start: int, stop: int, complete: NDArray[np.int64]) -> int:
    """Write the frames in start..stop−1 that complete an opposing change; return how many."""
    last, found = _NONE, 0
    low = high = luminance[start]
    for frame in range(start + 1, stop):
        y = luminance[frame]
        if last != _ROSE and low < DARKER_BELOW and y - low >= LEAST_CHANGE:
            last, low, high = _ROSE, y, y
        elif last != _FELL and y < DARKER_BELOW and high - y >= LEAST_CHANGE:
            last, low, high = _FELL, y, y
        else:
            low, high = min(low, y), max(high, y)
            continue
        complete[found] = frame
        found += 1
    return found


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def most_changes(luminance: NDArray[np.float64], reach: int) -> tuple[int, int]:
    """Return (most flashes, first frame of their window) of one row; reach as flash.window_reach gives it."""
    frames = luminance.size
    if frames < 2:
        return 0, 0
    noted = np.empty(frames, dtype=np.int64)
    total = completions(luminance, 0, frames, noted)
    walked = np.empty(min(frames, reach + 2), dtype=np.int64)
    best, best_start = 0, 0
    first, after = 0, 0
    for start in range(frames - 1):
        stop = min(frames, start + reach + 2)
        while first < total and noted[first] <= start:
            first += 1
        while after < total and noted[after] < stop:
            after += 1
        if (after - first + 1) // 2 <= best or luminance[start] == luminance[start + 1]:
            continue
        pairs = completions(luminance, start, stop, walked) // 2
        if pairs > best:
            best, best_start = pairs, start
    return best, best_start


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def flashes_from_each_frame(luminance: NDArray[np.float64], reach: int) -> NDArray[np.int64]:
    """Return the flashes (frames,) of the window that begins with each frame of one row."""
    frames = luminance.size
    counted = np.zeros(frames, dtype=np.int64)
    walked = np.empty(min(frames, reach + 2), dtype=np.int64)
    for start in range(frames - 1):
        stop = min(frames, start + reach + 2)
        counted[start] = completions(luminance, start, stop, walked) // 2
    return counted


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def most_flashes_rows(luminance: NDArray[np.float64], reach: int) -> NDArray[np.int64]:
    """Return the most flashes in any window of each row (rows, frames)."""
    worst = np.zeros(luminance.shape[0], dtype=np.int64)
    for row in range(luminance.shape[0]):
        worst[row] = most_changes(luminance[row], reach)[0]
    return worst


@compiled_with(nogil=True, fastmath={"contract"}, error_model="numpy")
def most_turns(partner_up: NDArray[np.int64], partner_down: NDArray[np.int64], reach: int) -> int:
    """Return the most pairs of turns in any window, turns given by their partners.

    partner_up (frames,): the latest earlier frame from which this frame is a turn upwards, −1 for none;
    partner_down: the same for a turn downwards.
    """
    frames = partner_up.size
    best = 0
    for start in range(frames - 1):
        last, since, found = _NONE, start, 0
        for frame in range(start + 1, min(frames, start + reach + 2)):
            if last != _ROSE and partner_up[frame] >= since:
                last, since, found = _ROSE, frame, found + 1
            elif last != _FELL and partner_down[frame] >= since:
                last, since, found = _FELL, frame, found + 1
        best = max(best, found // 2)
    return best


def count_flashes_rows(luminance: FloatArray, frame_rate_hz: float) -> IntArray:
    """Return the worst flashes per second (rows,) of relative luminances (rows, frames), each 0..1.

    The same rule as flash.count_flashes, for the rows of a sweep. Raises ParameterError outside 0..1.
    """
    rows = np.ascontiguousarray(luminance, dtype=np.float64)
    check_unit_interval("luminance", rows)
    worst: IntArray = most_flashes_rows(rows, window_reach(frame_rate_hz))
    return worst
