"""Other ways to keep a fourth flash from being shown, to be compared with the guard's own.

Each drives the guard's own counting (envlab.digital.guard.flash_guard_kernels), so all keep the limit alike.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from envlab.digital.guard import flash_guard_kernels as kernels
from envlab.digital.guard.flash_guard import run_guard, state_row
from envlab.digital.guard.guard_words import CHANGES, DARK, GuardWords

Way = Callable[[GuardWords, np.ndarray, float], np.ndarray]


def within_a_change(words: GuardWords, wanted: np.ndarray, _rate_hz: float) -> np.ndarray:
    """The guard itself: where the eighth change would be complete, follow within less than a change."""
    return run_guard(words, wanted)[0]


def frozen(words: GuardWords, wanted: np.ndarray, _rate_hz: float) -> np.ndarray:
    """Stay at the frame before for as long as the eighth change would be complete."""
    state, shown, last = state_row(DARK), np.empty_like(wanted), 0
    for frame, duty in enumerate(wanted.tolist()):
        before = state.copy()
        if kernels.step_on(words, state, duty) == duty:
            last = duty
        else:
            state = before
            last = int(kernels.step_on(words, state, last))
        shown[frame] = last
    return shown


def waiting_in_the_dark(words: GuardWords, wanted: np.ndarray, _rate_hz: float) -> np.ndarray:
    """As the guard, but once it has acted a rise waits until there is room for the fall behind it as well."""
    state, shown, acted = state_row(DARK), np.empty_like(wanted), False
    for frame, duty in enumerate(wanted.tolist()):
        counted = (state[kernels.NEXT] - state[kernels.FIRST]) & 0xFF
        acted = acted and counted > 0
        light = kernels.light_of(duty, words.bits)
        rises = state[kernels.FLIP] == 0 and light - state[kernels.LOW] >= words.least
        asked = duty
        if acted and rises and counted >= CHANGES - 1:
            asked = kernels.duty_of(int(state[kernels.LOW]) + words.most, words.bits)
        shown[frame] = kernels.step_on(words, state, asked)
        acted = acted or shown[frame] != duty
    return shown


def slewing_afterwards(words: GuardWords, wanted: np.ndarray, rate_hz: float) -> np.ndarray:
    """As the guard, but once it has acted the light returns to the wanted one at its whole range in 0.1 s."""
    state, shown, last, acted = state_row(DARK), np.empty_like(wanted), 0, False
    step = int((words.top << 8 if words.bits == 8 else words.top) / (0.1 * rate_hz))
    for frame, duty in enumerate(wanted.tolist()):
        asked = int(np.clip(duty, last - step, last + step)) if acted else duty
        last = shown[frame] = int(kernels.step_on(words, state, asked))
        acted = shown[frame] != duty
    return shown


WAYS: dict[str, Way] = {
    "within a change": within_a_change,
    "frozen": frozen,
    "waiting in the dark": waiting_in_the_dark,
    "slewing afterwards": slewing_afterwards,
}
