"""The flash guard of the firmware: the light that is shown never has more than three flashes in a second.

What a flash is stands in light/flash.py, after [WCAG2.2]; the C part is envlab_guard.c, this is its twin, bit
for bit. It is called once a frame with the duty that the frame should have, and returns the duty to show.

The rule that it counts by
--------------------------
1. Light is the code that is shown: the nearest of the pixels' depth, half up. Above 0.9 of the brightest
   state nothing is told apart. Before the first frame all is dark.
2. A change is complete in the frame whose light lies a tenth of the brightest state or more from the farthest
   that the change before has led to. So rises and falls come in turn. The latest change leads on whenever the
   light goes farther the same way, by however little.
3. A change is dated by its farthest frame: at the frame after the light was last in the cell that lies one
   change back from there, or beyond it. A cell is a seventh to a quarter of a change wide, one code where a
   change has few. Dates are bytes: what began more than 255 ticks earlier may be dated too late, never too
   early. A tick is a frame up to 233 Hz, several frames above.
4. A change that is about to be complete counts together with those dated at most a second before, in ticks of
   a clock that is 3 % fast (guard_words); of older ones one is dropped a frame, the oldest first. Under a
   limit that colours can move, a rise to more than the limit always grants counts one more: the fall that the
   limit may make of it.
5. Eight changes that count together are four flashes; the guard lets seven through.

What it does
------------
Where the eighth change would be complete, the light goes to one code less than a change and no further;
within that it follows what is wanted. Nothing else is ever altered. (Freezing it, waiting in the dark and
slewing afterwards lie farther from the wanted light: tests/benchmarks/bench_guard.py.)

Why a fourth flash is never shown
---------------------------------
Invariant: of the changes of the shown light no eight count together. It can always be kept: a frame completes
one change at most, and none as long as its light stays within a change of `low`, which is always possible.
It is enough, because of this:

Let f0 < f1 < … < f8 be frames of one second, whose codes go up and down in turn by a tenth or more with the
darker below 0.8; they are what count_flashes calls four flashes. Cutting at 0.9 takes nothing from these
steps: what is below 0.8 stays, and what is lighter stays a change above it. *Lemma: for every i the rule has
a change in the direction of the step from f(i−1) to fi that is complete by fi and dated after f(i−1).* Take a
rise; a fall is the same upside down. Let m be the latest change at fi.
 - m is a rise. Its highest frame g comes after f(i−1): else the light at f(i−1), a change under fi and so
   under g, had completed a fall. At f(i−1) it was a change or more under g, so the date is later.
 - m is a fall. As no rise is complete at fi, the lowest since m is more than the light at fi less a change,
   so above that at f(i−1): m was completed after f(i−1). The rise before m led a change or more above m's
   lowest. Its highest frame comes after f(i−1), else the fall had been complete by then; so does its date.
   (There is such a rise, because the row begins in the dark.)
The change of step i+1 comes later in the rule's row than that of step i: dated after fi, it was still leading
on when the other was complete already. So there are eight, all dated after f0, the last complete by f8, which
is `reach` + 1 frames after f0 at most: they count together, and the guard had held the last.

Counted by 8 bits of time in ticks of n frames nothing is lost: floor(b/n) − floor(a/n) ≤ ceil((b − a)/n), and
a date modulo 256 is never too early. A real second has at most floor(1.03 · rate) frames that begin after its
first.

A held light is one that the limit grants: the guard raises the light above what is wanted only to hold back a
fall. Seven changes count then, the last a rise, and by rule 4 it has led to less than a change above what is
always granted; the held light is one code less than a change under that. So what is shown is at most the
greater of the wanted and the always granted duty. Below a granted duty every duty is granted.

What it covers, and what not
----------------------------
It knows the one duty that all pixels share, and what a layout of light makes of it (why that is enough stands
in light/layout/layout.py), not what a program does to colours and patterns by itself. Red
flashes ([WCAG2.2] counts transitions to and from saturated red apart) are covered where the duty makes them
by changes of a tenth or more, the colour being the same all the time. A light of deep red that goes dark from
less than a tenth is not counted, nor is a program that changes between red and another colour. Design files
have no key for colours, so this is left to the program. A power cut is a fall that no firmware holds back.
Keeping the limit is no medical clearance.
"""

from __future__ import annotations

import numpy as np

from envlab.digital.guard.guard_words import DARK, ROOM, GuardState, GuardWords, guard_words
from envlab.errors import ParameterError
from envlab.units import BoolArray, IntArray

__all__ = ["GuardState", "GuardWords", "guard_held_share", "guard_words", "rule_flashes", "run_guard"]

_WORD = 0xFFFF


def run_guard(
    words: GuardWords, duties: IntArray, *, state: GuardState | None = None
) -> tuple[IntArray, BoolArray, GuardState]:
    """Return what the guard shows of duty words, in which frames it differs, and the state at the end.

    duties (frames,): 0..65535, one for each call of envlab_guard. state: what a run before ended with, None
    for the start, which is darkness. The shown duties (frames,) and the flags (frames,) are those of the C
    runtime, bit for bit. Two runs equal one. Raises ParameterError.

    Examples
    --------
    Five flashes a second of full light, at 30 frames a second: the eighth change is held.

    >>> wanted = np.tile([65_535, 65_535, 65_535, 0, 0, 0], 10)
    >>> shown, held, _ = run_guard(guard_words(30.0), wanted)
    >>> int(np.argmax(held)), int(shown[21]), round(guard_held_share(held), 3)
    (21, 52428, 0.15)
    """
    from envlab.digital.guard import flash_guard_kernels as kernels

    given = _checked(duties)
    row = state_row(DARK if state is None else state)
    shown = np.empty_like(given)
    kernels.run(words, row, given, shown)
    return shown, shown != given, row_state(row)


def guard_held_share(held: BoolArray) -> float:
    """Return the share (0..1) of frames that the guard alters, of run_guard's flags (frames,)."""
    flags = np.asarray(held)
    if flags.ndim != 1 or flags.dtype != np.bool_:
        raise ParameterError("held", flags.shape, "one truth value for each frame")
    return float(flags.mean()) if flags.size else 0.0


def rule_flashes(words: GuardWords, duties: IntArray) -> int:
    """Return the most flashes that the guard's rule counts in duty words (frames,) as they are, unguarded.

    Where it is at most 3 the guard alters nothing. It is written apart from the guard: it looks every date up
    in the whole row and forgets nothing. Raises ParameterError.
    """
    from envlab.digital.guard.flash_guard_kernels import most_counted

    return int(most_counted(words, _checked(duties))) // 2


def state_row(state: GuardState) -> IntArray:
    """Return the state as the kernels have it: 23 whole numbers, codes and ticks."""
    if len(state.left) != ROOM or len(state.stamp) != ROOM:
        raise ParameterError("state", (len(state.left), len(state.stamp)), f"{ROOM} places and {ROOM} dates")
    return np.array([*state.left, *state.stamp, *state[2:]], np.int64)


def row_state(row: IntArray) -> GuardState:
    """Return the state of a row of whole numbers, shape (23,), as state_row makes it."""
    values = [int(value) for value in row]
    return GuardState(tuple(values[:ROOM]), tuple(values[ROOM : 2 * ROOM]), *values[2 * ROOM :])


def _checked(duties: IntArray) -> IntArray:
    given = np.ascontiguousarray(duties, dtype=np.int64)
    if given.ndim != 1 or (given.size and (given.min() < 0 or given.max() > _WORD)):
        raise ParameterError("duties", given.shape, "a row of whole numbers from 0 to 65535")
    return given
