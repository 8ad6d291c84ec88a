"""Compiled counting of red flashes while the frames come by; the rule is stated in red_flash.py.

Of each frame the latest earlier one within a second is kept from which it is a step to red, and the one from
which it is a step from red. A second is walked once its last frame has come. All frame numbers of a row are
kept modulo the ring's size, which is one more than a second holds.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from envlab.analog.kernels.stage_kernels import compiled

_NONE, _TO, _FROM = 0, 1, 2

Codes = NDArray[np.int32]


@compiled
def _pairs(to_red: Codes, from_red: Codes, start: int, stop: int) -> int:
    """Return the pairs of steps in the frames start..stop−1 of one row, each taken as it is complete."""
    size = to_red.size
    last, since, found = _NONE, start, 0
    for frame in range(start + 1, stop):
        place = frame % size
        if last != _TO and to_red[place] >= since:
            last, since, found = _TO, frame, found + 1
        elif last != _FROM and from_red[place] >= since:
            last, since, found = _FROM, frame, found + 1
    return found // 2


@compiled
def count_on(
    codes: Codes,
    first: int,
    uv: NDArray[np.float64],
    is_red: NDArray[np.bool_],
    step_uv: float,
    reach: int,
    ring: Codes,
    to_red: Codes,
    from_red: Codes,
    most: NDArray[np.int64],
) -> None:
    """Take the frames first, first + 1 … of every row into account.

    codes: shape (rows, frames). uv, is_red: of each code. reach: as flash.window_reach gives it. ring,
    to_red, from_red: shape (rows, reach + 2), the latest codes and their partners. most: flashes in a second,
    shape (rows,).
    """
    size = reach + 2
    for row in range(codes.shape[0]):
        for k in range(codes.shape[1]):
            frame, code = first + k, codes[row, k]
            place = frame % size
            ring[row, place] = code
            up, down = -1, -1
            for apart in range(1, min(reach + 1, frame) + 1):
                earlier = ring[row, (frame - apart) % size]
                wanted_up, wanted_down = is_red[code] and up < 0, is_red[earlier] and down < 0
                if not (wanted_up or wanted_down) or earlier == code:
                    continue
                if math.hypot(uv[code, 0] - uv[earlier, 0], uv[code, 1] - uv[earlier, 1]) > step_uv:
                    if wanted_up:
                        up = frame - apart
                    if wanted_down:
                        down = frame - apart
            to_red[row, place], from_red[row, place] = up, down
            start = frame - reach - 1
            if start >= 0:
                most[row] = max(most[row], _pairs(to_red[row], from_red[row], start, frame + 1))


@compiled
def last_windows(frames: int, reach: int, to_red: Codes, from_red: Codes, most: NDArray[np.int64]) -> None:
    """Walk the windows that end with the last of so many frames; most: shape (rows,), as for count_on."""
    for row in range(most.size):
        for start in range(max(0, frames - reach - 1), frames - 1):
            most[row] = max(most[row], _pairs(to_red[row], from_red[row], start, frames))
