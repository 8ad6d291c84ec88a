"""The flash guard of the firmware: the light that is shown never has more than three flashes in a second.

What a flash is stands in light/flash.py, after [WCAG2.2]; the C part is envlab_guard.c, this is its twin, bit
for bit. It is called once a frame with the duty that the frame should have, and returns the duty to show.

The rule that it counts by
--------------------------
1. Light is the code that is shown: the nearest of the pixels' depth, half up. Above 0.9 of the brightest
   state nothing is told apart. Before the first frame all is dark.
2. A change is complete in the frame whose light stands a tenth of the brightest state or more from the
   farthest that the latest change led to. Rises and falls so come in turn. A change leads on for as long as
   the light goes farther the same way, by however little.
3. A change is dated when the light last left the cell that lies one change back from the farthest it has led
   to; a cell is a seventh to a quarter of a change wide, one code where a change has few. A change that leads
   on is dated anew. Dates are kept in a byte, modulo 256 ticks: what began longer ago than that may be dated
   too late, never too early. A tick is a frame up to 233 Hz, a few frames above.
4. Two changes count together while their dates are at most a second apart, in ticks of a clock that is 3 %
   fast (guard_words). Under a limit that colours can move, a light above what the limit always grants counts
   one change more: the fall that the limit may make of it.
5. Eight changes that count together are four flashes. Seven is the most that the guard lets through.

What it does
------------
While the eighth change would be complete, the light follows what is wanted up to one code less than a change,
and no further. Nothing else is ever altered. (Freezing the light, waiting in the dark, and slewing afterwards
were tried on clips: they differ more from the wanted light, in mean and in root mean square of L*.)

Why it never shows more than three
----------------------------------
Invariant, after every frame: among the changes of the shown light no eight count together, and the changes
that count are exactly those between `first` and `next`.

- It can always be kept: a frame completes at most one change, and it completes none if the light stays less
  than a change away from `low`, which the light of the frame before was (were it not, that frame would have
  completed the change, or have been held). So there is always something to show.
- The rule never counts fewer than count_flashes does. Let f0 < f1 < … < f8 be frames of one second that go up
  and down in turn by a change each, 8 changes, f8 − f0 − 1 frames apart at most `reach`. (a) The codes that
  count_flashes takes for a change, a tenth apart and the darker below 0.8, differ by `least` or more here:
  cutting at `top`, 0.8 + 0.1, takes away only from the lighter state, and leaves it a change above every darker
  one below 0.8. (b) Greedy counting never falls behind: by induction, when frame fi is taken the rule has
  completed a change in the direction of f(i−1) → fi that is still the latest, or one more since. So it has
  completed, after f0, one for each i from 2 to 8, and the one that was the latest at f1 leads, at the latest in
  f1, to where a change back lies at f0 or later. (c) Its date by rule 3 is then not before f0 + 1: the light
  was at f0 in that cell or beyond it. Dates never decrease from change to change, because a change starts where
  the one before has led to. So all eight dates lie within f0 + 1 … f8, `reach` frames, and count together.
- A second of a clock that is up to 3 % fast or slow has at most floor(1.03 · rate) frames between two starts.
- Ticks of n frames lose nothing: floor(b/n) − floor(a/n) ≤ ceil((b − a)/n).
- A held light is one that the limit grants. The guard raises the light above what is wanted only while a fall
  is held. Then seven changes count, the last a rise, and by rule 4 that rise did not lead higher than one code
  less than a change above what is always granted; held is one code less than a change below. So what is shown
  is at most the greater of the wanted and the always granted duty. Below a granted duty every duty is granted.

What it covers, and what not
----------------------------
It knows the one duty that all pixels share, not what a program does to colours and patterns by itself. Of red
flashes (WCAG: saturated red, two pairs of opposing transitions are counted apart) it covers those that the
duty makes: light of one colour, red included, goes dark and comes back only with the duty, and a state darker
than a tenth is where a general flash is counted too. It does not cover a program that changes between deep red
and another colour at equal duty; a design file has no colour key, so that is the program's own care. A power
cut is a fall that no firmware holds back. Kept limits are no medical clearance.
"""

from __future__ import annotations

import numpy as np

from envlab.digital.guard_words import DARK, ROOM, GuardState, GuardWords, guard_words
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
    (21, 52685, 0.25)
    """
    from envlab.digital import flash_guard_kernels as kernels

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
    from envlab.digital.flash_guard_kernels import most_counted

    return int(most_counted(words, _checked(duties))) // 2


def state_row(state: GuardState) -> IntArray:
    """Return the state as the kernels have it: one row of whole numbers."""
    if len(state.left) != ROOM or len(state.stamp) != ROOM:
        raise ParameterError("state", (len(state.left), len(state.stamp)), f"{ROOM} places and {ROOM} dates")
    return np.array([*state.left, *state.stamp, *state[2:]], np.int64)


def row_state(row: IntArray) -> GuardState:
    """Return the state of a row of whole numbers."""
    values = [int(value) for value in row]
    return GuardState(tuple(values[:ROOM]), tuple(values[ROOM : 2 * ROOM]), *values[2 * ROOM :])


def _checked(duties: IntArray) -> IntArray:
    given = np.ascontiguousarray(duties, dtype=np.int64)
    if given.ndim != 1 or (given.size and (given.min() < 0 or given.max() > _WORD)):
        raise ParameterError("duties", given.shape, "a row of whole numbers from 0 to 65535")
    return given
