"""An independent counter of red flashes, written from the definition; it imports nothing of envlab.

WCAG 2.2, "pair of opposing transitions involving a saturated red": "one transition is either to or from a
state with a value R/(R + G + B) that is greater than or equal to 0.8, and the difference between states is
more than 0.2 (unitless) in the CIE 1976 UCS chromaticity diagram".
"""

from __future__ import annotations

# Linear sRGB to XYZ, four digits as printed in IEC 61966-2-1.
TO_X = (0.4124, 0.3576, 0.1805)
TO_Y = (0.2126, 0.7152, 0.0722)
TO_Z = (0.0193, 0.1192, 0.9505)

State = tuple[float, float, float]


def uv(state: State) -> tuple[float, float]:
    """CIE 1976 u′, v′ of linear light."""
    x, y, z = (sum(k * c for k, c in zip(row, state, strict=True)) for row in (TO_X, TO_Y, TO_Z))
    below = x + 15 * y + 3 * z
    return 4 * x / below, 9 * y / below


def is_step(one: State, other: State) -> bool:
    """Whether two states differ by more than 0.2 in u′v′."""
    (u1, v1), (u2, v2) = uv(one), uv(other)
    return ((u1 - u2) ** 2 + (v1 - v2) ** 2) ** 0.5 > 0.2


def is_red(state: State) -> bool:
    """Whether a state is a saturated red."""
    return state[0] / sum(state) >= 0.8


def worst_red_flashes(states: list[State], frame_rate_hz: float) -> int:
    """Most pairs of opposing steps in any second; states without light are given as white."""
    worst = 0
    for first in range(len(states)):
        window = [
            state
            for frame, state in enumerate(states[first:], start=first)
            if frame == first or (frame - first - 1) / frame_rate_hz <= 1.0 + 1e-9
        ]
        to_red, from_red = [0] * len(window), [0] * len(window)
        for later in range(len(window)):
            for earlier in range(later):
                if not is_step(window[earlier], window[later]):
                    continue
                if is_red(window[later]):
                    to_red[later] = max(to_red[later], from_red[earlier] + 1)
                if is_red(window[earlier]):
                    from_red[later] = max(from_red[later], to_red[earlier] + 1)
        worst = max(worst, max(to_red + from_red) // 2)
    return worst
