"""Every short light through the flash guard, seen as the whole of a layout."""

from __future__ import annotations

import numpy as np
from digital.guard_search import changes_ending_here
from numba import njit

from envlab.digital.guard.flash_guard_kernels import STATE_SIZE, step_on
from envlab.digital.guard.guard_words import GuardWords
from envlab.units import IntArray


@njit(cache=True, nogil=True)
def worst_whole(
    words: GuardWords,
    duties: IntArray,
    whole: IntArray,
    frames: int,
    window: int,
    least: int,
    darker_below: int,
) -> tuple[int, int]:
    """Most changes of the whole's light that the guard shows, over every row of so many frames out of duties.

    whole (65536,): the light of the whole at each duty. Also how many rows the guard altered.
    """
    states = np.zeros((frames + 1, STATE_SIZE), np.int64)
    choice = np.zeros(frames, np.int64)
    # One dark frame goes before, as before the first call all is dark.
    shown = np.full(frames + 1, whole[0])
    held = np.zeros(frames + 1, np.int64)
    worst = altered = depth = 0
    while depth >= 0:
        if depth == frames or choice[depth] == duties.size:
            altered += depth == frames and held[depth] > 0
            if depth < frames:
                choice[depth] = 0
            depth -= 1
            continue
        wanted = duties[choice[depth]]
        choice[depth] += 1
        states[depth + 1] = states[depth]
        duty = step_on(words, states[depth + 1], wanted)
        shown[depth + 1] = whole[duty]
        held[depth + 1] = held[depth] + (duty != wanted)
        worst = max(worst, changes_ending_here(shown, depth + 1, window, least, darker_below))
        depth += 1
        if depth < frames:
            choice[depth] = 0
    return worst, altered
