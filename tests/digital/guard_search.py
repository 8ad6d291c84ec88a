"""Every short light, and lights bred to flash, through the flash guard."""

from __future__ import annotations

import numpy as np
from numba import njit

from envlab.digital.guard.flash_guard_kernels import STATE_SIZE, duty_of, most_counted, step_on
from envlab.digital.guard.guard_words import GuardWords
from envlab.units import IntArray

_ROSE, _FELL = 1, 2


@njit(cache=True, nogil=True)
def changes_ending_here(codes: IntArray, frame: int, window: int, least: int, darker_below: int) -> int:
    """Opposing changes of WCAG 2.2 in the longest window of one second that ends with a frame."""
    start = max(0, frame - window - 1)
    low = high = codes[start]
    last = found = 0
    for n in range(start + 1, frame + 1):
        code = codes[n]
        if last != _ROSE and low < darker_below and code - low >= least:
            last, low, high, found = _ROSE, code, code, found + 1
        elif last != _FELL and code < darker_below and high - code >= least:
            last, low, high, found = _FELL, code, code, found + 1
        else:
            low, high = min(low, code), max(high, code)
    return found


@njit(cache=True, nogil=True)
def worst_of_all(
    words: GuardWords, levels: IntArray, frames: int, window: int, least: int, darker_below: int
) -> tuple[int, int, int]:
    """Most changes that the guard shows, over every row of so many frames of 8 bit codes out of levels.

    Also how many rows were altered, and how many of those, up to the frame first altered, the rule did not
    count a fourth flash in.
    """
    states = np.zeros((frames + 1, STATE_SIZE), np.int64)
    choice = np.zeros(frames, np.int64)
    duties = np.zeros(frames, np.int64)
    # One dark frame goes before, as before the first call all is dark.
    shown = np.zeros(frames + 1, np.int64)
    altered_at = np.full(frames + 1, frames)
    worst = altered = unfounded = 0
    depth = 0
    while depth >= 0:
        if depth == frames or choice[depth] == levels.size:
            altered += depth == frames and altered_at[depth] < frames
            if depth < frames:
                choice[depth] = 0
            depth -= 1
            continue
        duties[depth] = duty_of(levels[choice[depth]], 8)
        choice[depth] += 1
        states[depth + 1] = states[depth]
        duty = step_on(words, states[depth + 1], duties[depth])
        shown[depth + 1] = duty >> 8
        first = altered_at[depth]
        if duty != duties[depth] and first == frames:
            first = depth
            unfounded += most_counted(words, duties[: depth + 1]) < 8
        altered_at[depth + 1] = first
        worst = max(worst, changes_ending_here(shown, depth + 1, window, least, darker_below))
        depth += 1
        if depth < frames:
            choice[depth] = 0
    return worst, altered, unfounded
