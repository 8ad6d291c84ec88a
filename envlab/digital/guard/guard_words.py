"""The numbers that the flash guard works with: parameters, state, and how they follow from the light."""

from __future__ import annotations

import math
from typing import NamedTuple

from envlab.errors import ParameterError, check_range

CHANGES = 7
"""Changes that a second may hold: one fewer than the eight of four flashes."""
ROOM = 8
"""Places for dates, a power of two above CHANGES."""
CLOCK_ERROR = 0.03
MOST_TICKS = 240
_WORD = 0xFFFF
_CELLS_OF_A_CHANGE = 7


class GuardWords(NamedTuple):
    """The guard's parameters as the runtime has them.

    bits: depth of the code that is counted. least: smallest change that counts; most: largest that does not;
    top: light above which nothing is told apart (a change up there is between bright states); always: light
    from which a fall to what a limit over the frame always grants is no change yet. These four are codes, of
    more than 8 bit in the upper bits of a word of 16. cell: a cell of light is 2^cell wide. reach: ticks that
    a second has at most.
    """

    bits: int
    least: int
    most: int
    top: int
    cell: int
    always: int
    reach: int
    frames_per_tick: int


class GuardState(NamedTuple):
    """All that the guard carries from one frame to the next; envlab_guard.h says what each is."""

    left: tuple[int, ...]
    stamp: tuple[int, ...]
    low: int
    flip: int
    cell: int
    now: int
    first: int
    next: int
    phase: int


DARK = GuardState((0,) * ROOM, (0,) * ROOM, 0, 0, 0, 0, 0, 0, 0)
"""The state at the start: darkness, in which nothing has changed."""


def guard_words(
    frame_rate_hz: float,
    *,
    bits: int = 8,
    brightest_duty: int = _WORD,
    dimmest_full_duty: int | None = None,
    always_duty: int | None = None,
    slack_codes: int = 0,
    clock_error: float = CLOCK_ERROR,
) -> GuardWords:
    """Return the guard's words for a light.

    Parameters
    ----------
    frame_rate_hz : float
        Rate at which the guard is called, 1 to 10 000 Hz, by a clock that is right.
    bits : int
        Depth of the pixels' code, 8 to 16. With dithering 16: what is seen is the mean over a pattern.
    brightest_duty : int
        Duty word of the brightest state that the costume can show, of which 10 % are a change: 1 to 65535.
    dimmest_full_duty : int, optional
        Where the brightest state depends on the colours in use (a limit over the frame): the least that it
        may be. Changes are then counted against this one, dark states against brightest_duty.
    always_duty : int, optional
        Duty word that the limit over the frame grants whatever the colours: sum limit / channels. Left out,
        every duty is granted.
    slack_codes : int
        By how many codes the shown code may lie under the counted one (0 to the largest code).
    clock_error : float
        By which share the frames may come too fast, 0 to 0.2.

    Raises ParameterError, also for a light so dim that one code is a change and slack_codes leaves none.

    Examples
    --------
    >>> guard_words(100.0, bits=8, brightest_duty=18247)
    GuardWords(bits=8, least=8, most=7, top=64, cell=1, always=65535, reach=103, frames_per_tick=1)
    """
    check_range("frame_rate_hz", frame_rate_hz, 1.0, 10_000.0, unit="Hz")
    check_range("clock_error", clock_error, 0.0, 0.2)
    _check_whole("bits", bits, 8, 16)
    _check_whole("brightest_duty", brightest_duty, 1, _WORD)
    _check_whole("slack_codes", slack_codes, 0, (1 << bits) - 1)
    dimmest = brightest_duty if dimmest_full_duty is None else dimmest_full_duty
    _check_whole("dimmest_full_duty", dimmest, 1, brightest_duty)
    up = _up(bits)
    brightest = nearest_code(brightest_duty, bits)
    # Whole codes: at least a tenth of the brightest, and the first that is no longer below four fifths of it.
    least = -(-nearest_code(dimmest, bits) // 10) - slack_codes
    dark_below = -(-4 * brightest // 5) + slack_codes
    if least < 1:
        raise ParameterError("slack_codes", slack_codes, f"such that a change of {least + slack_codes} codes"
                             " is still seen (or the light brighter)")  # fmt: skip
    reach = math.floor(frame_rate_hz * (1.0 + clock_error) + 1e-9)
    frames_per_tick = -(-reach // MOST_TICKS)
    return GuardWords(
        bits=bits,
        least=least << up,
        most=(least - 1) << up,
        top=min(dark_below + least - 1, (1 << bits) - 1) << up,
        cell=_cell(least << up),
        always=_always(always_duty, bits, least),
        reach=-(-reach // frames_per_tick),
        frames_per_tick=frames_per_tick,
    )


def nearest_code(duty: int, bits: int) -> int:
    """Return the code of so many bits (8 to 16) nearest to a duty word (0 to 65535), half up."""
    return (2 * duty * ((1 << bits) - 1) + _WORD) // (2 * _WORD)


def _up(bits: int) -> int:
    """Return by how many bits a code is moved up to be light."""
    return 0 if bits == 8 else 16 - bits


def _cell(least: int) -> int:
    """Return the shift of the smallest cell of which a change spans at most seven: there are eight places."""
    cell = 0
    while least > _CELLS_OF_A_CHANGE << cell:
        cell += 1
    return cell


def _always(always_duty: int | None, bits: int, least: int) -> int:
    """Return the highest light from which a fall to the always granted duty is no change yet."""
    if always_duty is None:
        return _WORD
    _check_whole("always_duty", always_duty, 0, _WORD)
    full = (1 << bits) - 1
    granted = always_duty * full // _WORD
    return min(granted + least - 1, full) << _up(bits)


def _check_whole(name: str, value: int, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ParameterError(name, value, "a whole number")
    check_range(name, value, low, high)
