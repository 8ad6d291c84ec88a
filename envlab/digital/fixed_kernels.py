"""The firmware's arithmetic in whole numbers, step by step the same as the C runtime.

Every function runs as plain Python on Python integers (``function.py_func``) and compiled on int64; nothing
here ever leaves 0..2**40, so both and the C code agree bit for bit. table: duty codes of 16 bit, one more
than there are steps.
"""

from __future__ import annotations

from numba import njit

from envlab.digital.fixed_words import FixedState, FixedWords
from envlab.units import IntArray


@njit(cache=True, nogil=True)
def start(words: FixedWords) -> FixedState:
    """Silence, gate shut, window where the design has it."""
    return FixedState(0, words.window_start, 0, words.gate_open, 0, words.adapt_every)


@njit(cache=True, nogil=True)
def choose_offset(words: FixedWords, state: FixedState, offset_step: int) -> FixedState:
    """Put the window to one of the selectable sensitivities; too large a step counts as the last."""
    step = min(offset_step, words.offset_steps - 1)
    window = words.window_least_sensitive - step * words.offset_step
    return FixedState(state.envelope, window, state.noise, state.gate, state.envelope_low, state.countdown)


@njit(cache=True, nogil=True)
def follow(words: FixedWords, state: FixedState, reading: int) -> FixedState:
    """Attack or release by one period; the envelope word is state.envelope >> 16 of what is returned."""
    now = state.envelope >> 16
    target = max(reading - words.rest, 0)
    # 24 bits of fraction behind the point, all kept: 16 in envelope, 8 in envelope_low.
    whole = state.envelope << 8 | state.envelope_low
    if target >= now:
        whole += (target - now) * words.attack_factor << (24 - words.attack_fraction)
    else:
        whole -= (now - target) * words.release_factor << (24 - words.release_fraction)
    return FixedState(whole >> 8, state.window, state.noise, state.gate, whole & 0xFF, state.countdown)


@njit(cache=True, nogil=True)
def between(table: IntArray, position: int) -> int:
    """Entry position/256 and its fraction of the way to the next one, rounded half up."""
    low: int = table[position >> 8]
    step: int = table[(position >> 8) + 1] - low
    return low + ((step * (position & 0xFF) + 128) >> 8)


@njit(cache=True, nogil=True)
def level(envelope: int) -> int:
    """The place of the top bit, times 4096, and the 12 bits behind it; 0 below 2.

    Evenly spaced within each doubling: up to 0.086 octave (0.52 dB) under 4096 * log2(envelope), exact at
    every power of two.
    """
    if envelope < 2:
        return 0
    octave = 11
    if envelope < 0x100:
        envelope, octave = envelope << 8, 3
    while envelope > 0x1FFF:
        envelope, octave = envelope >> 1, octave + 1
    while envelope < 0x1000:
        envelope, octave = envelope << 1, octave - 1
    return (octave << 12) + envelope


@njit(cache=True, nogil=True)
def scale(value: int, factor: int) -> int:
    """value * (factor + 1) / 65536, rounded down."""
    return (value * factor + value) >> 16


@njit(cache=True, nogil=True)
def brightness(
    words: FixedWords, state: FixedState, table: IntArray, envelope: int
) -> tuple[int, FixedState]:
    """Duty of an envelope word, and the state after window, noise and gate have taken notice of it."""
    window, noise, countdown = state.window, state.noise, state.countdown
    position = envelope
    if words.level_index:
        position = min(max(level(envelope), window) - window, words.range_level)
    if words.automatic:
        countdown -= 1
        if countdown == 0:
            countdown = words.adapt_every
            if position >= words.range_level:
                if window < words.window_most:
                    window += words.window_rise
            elif window > words.window_least:
                window -= words.window_fall
            if position < noise:
                noise = position
            elif noise < words.noise_most:
                noise += words.noise_rise
    lit = position >= noise + state.gate
    gate = words.gate_close if lit else words.gate_open
    duty = scale(between(table, position), words.cap) if lit else words.rest_duty
    return duty, FixedState(state.envelope, window, noise, gate, state.envelope_low, countdown)


@njit(cache=True, nogil=True)
def run(
    words: FixedWords,
    state: FixedState,
    table: IntArray,
    readings: IntArray,
    offsets: IntArray,
    trace: IntArray,
) -> FixedState:
    """Step through readings; offsets: steps of sensitivity, one of 0 or more is chosen before its reading.

    trace (readings, 8) takes envelope word, duty and the six values of the state after each step.
    """
    for n in range(readings.shape[0]):
        if offsets[n] >= 0:
            state = choose_offset(words, state, offsets[n])
        state = follow(words, state, readings[n])
        word = state.envelope >> 16
        duty, state = brightness(words, state, table, word)
        trace[n, 0], trace[n, 1] = word, duty
        trace[n, 2], trace[n, 3], trace[n, 4] = state.envelope, state.window, state.noise
        trace[n, 5], trace[n, 6], trace[n, 7] = state.gate, state.envelope_low, state.countdown
    return state
