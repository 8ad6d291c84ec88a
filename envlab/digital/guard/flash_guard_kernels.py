"""The flash guard step by step, the same as the C runtime; the rule stands in flash_guard.py.

The state is one row of int64 whose places are named below. Light is the code that is shown, of 8 bit, or of
more in the upper bits of a word of 16; while the next change would be a fall it stands upside down, so that
it always leads upwards.
"""

from __future__ import annotations

import numpy as np

from envlab.digital.guard.guard_words import CHANGES, ROOM, GuardWords
from envlab.files.compiling import compiled_with
from envlab.units import IntArray

# Where things stand in the state.
LEFT, STAMP = 0, ROOM
LOW, FLIP, CELL, NOW, FIRST, NEXT, PHASE = range(2 * ROOM, 2 * ROOM + 7)
STATE_SIZE = PHASE + 1

_ROUND = ROOM - 1
_WORD = 0xFFFF


@compiled_with(nogil=True)
def light_of(duty: int, bits: int) -> int:
    """The light of a duty word: its nearest code of so many bits (8 to 16), half up."""
    places = 16 - bits
    fine = duty * (_WORD + 1 - (1 << places)) // _WORD
    code = (fine + (1 << places >> 1)) >> places
    return code if bits == 8 else code << places


@compiled_with(nogil=True)
def duty_of(light: int, bits: int) -> int:
    """A duty word that is shown as this light."""
    return light << 8 | light if bits == 8 else light | light >> bits


@compiled_with(nogil=True)
def _full(words: GuardWords) -> int:
    return 0xFF if words.bits == 8 else _WORD


@compiled_with(nogil=True)
def _cell_of(words: GuardWords, light: int, flip: int) -> int:
    return (light ^ flip) >> words.cell


@compiled_with(nogil=True)
def _counted(state: IntArray) -> int:
    count: int = (state[NEXT] - state[FIRST]) & 0xFF
    return count


@compiled_with(nogil=True)
def _walk(words: GuardWords, state: IntArray, light: int) -> None:
    """Write down when the light left the cells that lie between the frame before and this one."""
    cell, here = state[CELL], _cell_of(words, light, state[FLIP])
    state[CELL] = here
    for _ in range(ROOM):
        if cell == here:
            return
        state[LEFT + (cell & _ROUND)] = state[NOW]
        cell += 1 if cell < here else -1


@compiled_with(nogil=True)
def step_on(words: GuardWords, state: IntArray, duty: int) -> int:
    """Take one frame into the state; return the duty word to show."""
    light = min(light_of(duty, words.bits), words.top)
    if _counted(state) and (state[NOW] - state[STAMP + (state[FIRST] & _ROUND)] & 0xFF) > words.reach:
        state[FIRST] = state[FIRST] + 1 & 0xFF
    most = CHANGES
    if words.always < words.top and light > words.always:
        if state[FLIP] == 0:
            most -= 1
        elif _counted(state) == CHANGES:
            light = words.always
            duty = duty_of(light, words.bits)
    light ^= state[FLIP]
    if light - state[LOW] >= words.least:
        if _counted(state) >= most:
            light = state[LOW] + words.most
            duty = duty_of(light ^ state[FLIP], words.bits)
        else:
            state[NEXT] = state[NEXT] + 1 & 0xFF
            state[FLIP] ^= _full(words)
            state[LOW] ^= _full(words)
            light ^= _full(words)
    _walk(words, state, light)
    if light < state[LOW]:
        state[LOW] = light
        began = state[LEFT + (_cell_of(words, light + words.least, state[FLIP]) & _ROUND)]
        state[STAMP + (state[NEXT] - 1 & _ROUND)] = began
        if _counted(state) == 0:
            state[FIRST] = state[NEXT] - 1 & 0xFF
    state[PHASE] += 1
    if state[PHASE] >= words.frames_per_tick:
        state[PHASE] = 0
        state[NOW] = state[NOW] + 1 & 0xFF
    return duty


@compiled_with(nogil=True)
def run(words: GuardWords, state: IntArray, duties: IntArray, shown: IntArray) -> None:
    """Take a row of duty words into the state and write those to show."""
    for frame in range(duties.shape[0]):
        shown[frame] = step_on(words, state, duties[frame])


@compiled_with(nogil=True)
def trace(words: GuardWords, state: IntArray, duties: IntArray, record: IntArray) -> None:
    """As run; record (frames, 1 + STATE_SIZE) takes the duty to show and the state after each frame."""
    for frame in range(duties.shape[0]):
        record[frame, 0] = step_on(words, state, duties[frame])
        record[frame, 1:] = state


@compiled_with(nogil=True)
def most_counted(words: GuardWords, duties: IntArray) -> int:
    """The most changes that the guard's rule counts at any frame of a row; see flash_guard.rule_flashes.

    Nothing is held, and every date is looked up in the whole row.
    """
    frames = duties.shape[0]
    lights = np.zeros(frames + 1, np.int64)
    dates = np.empty(frames + 1, np.int64)
    falls, found, dropped, best, extreme = 1, 0, 0, 0, 0
    for frame in range(1, frames + 1):
        light = min(light_of(duties[frame - 1], words.bits), words.top)
        lights[frame] = light
        tick = (frame - 1) // words.frames_per_tick
        if dropped < found and tick - dates[dropped] > words.reach:
            dropped += 1
        ahead = light - extreme if falls else extreme - light
        if ahead >= words.least:
            falls, found = 1 - falls, found + 1
        if ahead >= words.least or ahead < 0:
            extreme = light
            if found:
                start = light + words.least if falls else light - words.least
                age = tick - _left(words, lights, frame, start, falls)
                dates[found - 1] = tick - (age & 0xFF)
                dropped = min(dropped, found - 1)
        way_back = falls == 0 and light > words.always
        best = max(best, found - dropped + way_back)
    return best


@compiled_with(nogil=True)
def _left(words: GuardWords, lights: IntArray, frame: int, start: int, falls: int) -> int:
    """Tick of the frame after the light was last in the cell of a light, or beyond it."""
    cell, before = start >> words.cell, frame - 1
    while (lights[before] >> words.cell < cell) if falls else (lights[before] >> words.cell > cell):
        before -= 1
    return before // words.frames_per_tick
