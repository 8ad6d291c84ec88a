"""An independent counter of general flashes, written from the definition; it imports nothing of envlab.

WCAG 2.2: "a pair of opposing changes in relative luminance of 10% or more of the maximum relative luminance
(1.0) where the relative luminance of the darker image is below 0.80"; "a pair of opposing changes is an
increase followed by a decrease, or a decrease followed by an increase"; in "any one-second period".

Every second is tried, every way to read changes off the frames inside it is tried (the longest alternating
series, by dynamic programming over all pairs of frames), and nothing is skipped.
"""

from __future__ import annotations

# A change of exactly 10 % counts although binary fractions may make it 0.0999999999.
ROUNDING = 1e-9


def is_change(before: float, after: float) -> bool:
    """Whether two states differ by 10 % of the maximum or more, the darker one below 0.80."""
    return abs(after - before) >= 0.10 - ROUNDING and min(before, after) < 0.80


def flashes_within(states: list[float]) -> int:
    """Whole pairs of opposing changes in a series of states, each change used once."""
    rises = [0] * len(states)
    falls = [0] * len(states)
    for later in range(len(states)):
        for earlier in range(later):
            if not is_change(states[earlier], states[later]):
                continue
            if states[later] > states[earlier]:
                rises[later] = max(rises[later], falls[earlier] + 1)
            else:
                falls[later] = max(falls[later], rises[earlier] + 1)
    return max(max(rises, default=0), max(falls, default=0)) // 2


def worst_flashes(luminance: list[float], frame_rate_hz: float) -> int:
    """Most flashes in any second: from the end of one frame to the start of another, at most 1 s later."""
    worst = 0
    for first in range(len(luminance)):
        ends_s = (first + 1) / frame_rate_hz
        inside = [luminance[first]]
        for later in range(first + 1, len(luminance)):
            if later / frame_rate_hz - ends_s > 1.0 + ROUNDING:
                break
            inside.append(luminance[later])
        worst = max(worst, flashes_within(inside))
    return worst
