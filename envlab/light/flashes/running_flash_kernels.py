"""Compiled counting of flashes while the frames come by; the rule is stated in flash.py.

Two greedy passes and one theorem. A pass takes each opposing change at the first frame that completes it, and
then looks for one the other way, from that frame on. The running pass began with the clip; a fresh pass would
begin with the frame at which a second begins, and counts the longest chain of that second. Let the fresh pass
complete its first change at frame a, say a fall, from its highest frame p. Then:

1. The running pass's latest completed change, at r ≤ a, is a fall too. It has seen p and the frame a, so it
   has completed something. Were that a rise, then r > p (else it had completed the fall by a), from a lowest
   frame q. If q > p, the light falls from p to q by no less than it rises from q to r, and the fresh pass had
   completed its fall at q < a. If q < p, the light at p is at least that at r, and the running pass had
   completed the rise by p.
2. The lowest light that the running pass has seen since r is that of a. Were it as low at an earlier t ≥ r:
   with t > p the fresh pass had completed at t; with t < p the running pass had completed a rise by p.

So from a on both are in the same state (for a rise the same with up and down exchanged, where "darker below
0.80" asks the same of q and t as of a), and complete their changes at the same frames. Hence a second that
ends with frame f has one change more than the running pass completes after a, up to f; and a second can beat
all before it only if its last change is one that the running pass completes. Between two such frames nothing
is to be done.

Luminance is a whole duty code over the brightest one, and the thresholds are whole codes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from envlab.analog.kernels.stage_kernels import compiled

_NONE, _ROSE, _FELL = 0, 1, 2

Codes = NDArray[np.int32]


@compiled
def _first_change(ring: Codes, start: int, stop: int, least: int, darker_below: int) -> int:
    """Return the first frame after start at which a change is complete, stop if there is none before it."""
    low = high = ring[start % ring.size]
    for frame in range(start + 1, stop):
        code = ring[frame % ring.size]
        if (low < darker_below and code - low >= least) or (code < darker_below and high - code >= least):
            return frame
        low, high = min(low, code), max(high, code)
    return stop


@compiled
def count_on(
    codes: Codes,
    first: int,
    least: int,
    darker_below: int,
    reach: int,
    state: Codes,
    ring: Codes,
    noted: Codes,
) -> None:
    """Take the frames first, first + 1 … of every row into account.

    codes: shape (rows, frames), duty codes. least, darker_below: smallest change and the limit of the darker
    state, codes. reach: as flash.window_reach gives it. state: shape (rows, 6): the latest change, lowest and
    highest code since, most flashes of a second, and between which two places of noted the frames stand that
    completed a change in the second gone by. ring, noted: shape (rows, reach + 2), the latest codes and those
    frames.
    """
    size = ring.shape[1]
    for row in range(codes.shape[0]):
        last, low, high, most = state[row, 0], state[row, 1], state[row, 2], state[row, 3]
        oldest, newest = state[row, 4], state[row, 5]
        place = first % size
        for k in range(codes.shape[1]):
            frame, code = first + k, codes[row, k]
            ring[row, place] = code
            place = place + 1 if place + 1 < size else 0
            if frame == 0:
                low = high = code
            if last != _ROSE and low < darker_below and code - low >= least:
                last = _ROSE
            elif last != _FELL and code < darker_below and high - code >= least:
                last = _FELL
            else:
                low, high = min(low, code), max(high, code)
                continue
            low = high = code
            noted[row, newest % size] = frame
            newest += 1
            start = max(0, frame - reach - 1)
            while noted[row, oldest % size] <= start:
                oldest += 1
            if (newest - oldest + 1) // 2 <= most:
                continue
            begun = _first_change(ring[row], start, frame + 1, least, darker_below)
            changes = 0 if begun > frame else 1
            for earlier in range(oldest, newest):
                changes += noted[row, earlier % size] > begun
            most = max(most, changes // 2)
        state[row, 0], state[row, 1], state[row, 2], state[row, 3] = last, low, high, most
        state[row, 4], state[row, 5] = oldest, newest


def thresholds(brightest_code: int, least_change: float, darker_below: float) -> tuple[int, int]:
    """Return the smallest whole change that is at least least_change of brightest_code, and the limit of
    darker states: the smallest code that is no longer below darker_below of it."""
    return int(np.ceil(brightest_code * least_change)), int(np.ceil(brightest_code * darker_below))


def fresh_state(rows: int, reach: int) -> tuple[Any, Any, Any]:
    """Return state, ring and noted before the first frame."""
    size = reach + 2
    return (np.zeros((rows, 6), np.int32), np.zeros((rows, size), np.int32), np.zeros((rows, size), np.int32))
