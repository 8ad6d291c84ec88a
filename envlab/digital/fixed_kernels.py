"""The firmware's arithmetic in whole numbers, step by step the same as the C runtime.

Every function runs as plain Python on Python integers (``function.py_func``) and compiled on int64; nothing
here ever leaves 0..2**40, so both and the C code agree bit for bit. table: duty codes of 16 bit, one more
than there are steps.
"""

from __future__ import annotations

import numpy as np

from envlab.digital.fixed_words import FixedState, FixedWords
from envlab.files.compiling import compiled_with
from envlab.units import IntArray

ZERO_BITS = 8
ZERO_MASK = 255
LEARNT_BLOCKS = 2


@compiled_with(nogil=True)
def start(words: FixedWords) -> FixedState:
    """Silence, zero and window where the design has them, gate shut, dark for mute_frames."""
    return FixedState(
        envelope=0,
        zero_sum=0,
        zero=words.zero_start,
        zero_limit=words.zero_start + words.zero_reach,
        highest=0,
        zero_left=1 << words.zero_block_bits,
        envelope_low=0,
        zero_low=0,
        unlearnt=LEARNT_BLOCKS,
        countdown=words.adapt_every,
        judge_left=words.judge_every,
        patience=words.patience,
        full=0,
        window=words.window_start,
        aim=words.window_start,
        peak=0,
        peak_before=0,
        noise=0,
        gate=words.gate_open,
        mute=words.mute_frames,
        fade=0,
    )


@compiled_with(nogil=True)
def choose_offset(words: FixedWords, state: FixedState, offset_step: int) -> FixedState:
    """Put the window to one of the selectable sensitivities; too large a step counts as the last."""
    step = min(offset_step, words.offset_steps - 1)
    window = words.window_least_sensitive - step * words.offset_step
    s = state
    return FixedState(
        s.envelope, s.zero_sum, s.zero, s.zero_limit, s.highest, s.zero_left, s.envelope_low, s.zero_low,
        s.unlearnt, s.countdown, s.judge_left, s.patience, s.full, window, window, s.peak, s.peak_before,
        s.noise, s.gate, s.mute, s.fade,
    )  # fmt: skip


@compiled_with(nogil=True)
def learn_zero(
    words: FixedWords, total: int, highest: int, zero: int, limit: int, unlearnt: int
) -> tuple[int, int, int]:
    """Zero, its limit and the blocks yet to learn from, after a block of readings of a sum and a highest one.

    The first still blocks set the zero. Later a lower mean draws it down by a quarter of the way, at most
    zero_fall; a higher one lets it creep up by zero_rise. A mean that no offset explains teaches nothing.
    """
    shift = words.zero_block_bits - ZERO_BITS
    mean = total >> shift if shift >= 0 else total << -shift
    word = mean >> ZERO_BITS
    if word < words.zero_least:
        return zero, limit, unlearnt
    if unlearnt > 0 and word <= words.zero_most and highest - word <= words.zero_still:
        return mean, word + words.zero_reach, unlearnt - 1
    if mean > zero:
        if zero >> ZERO_BITS < limit:
            zero += words.zero_rise
        return zero, limit, unlearnt
    far = (zero >> ZERO_BITS) - word > ZERO_MASK
    zero -= words.zero_fall if far else min((zero - mean) >> 2, words.zero_fall)
    return zero, min(limit, (zero >> ZERO_BITS) + words.zero_reach), unlearnt


@compiled_with(nogil=True)
def follow(words: FixedWords, state: FixedState, reading: int) -> FixedState:
    """Attack or release by one period; the envelope word is state.envelope >> 16 of what is returned."""
    now = state.envelope >> 16
    target = max(reading - state.zero, 0)
    # 24 bits of fraction behind the point, all kept: 16 in envelope, 8 in envelope_low.
    whole = state.envelope << 8 | state.envelope_low
    if target >= now:
        whole += (target - now) * words.attack_factor << (24 - words.attack_fraction)
    else:
        whole -= (now - target) * words.release_factor << (24 - words.release_fraction)
    total, highest, left = state.zero_sum, state.highest, state.zero_left
    if left == 0:
        total, highest, left = 0, 0, 1 << words.zero_block_bits
    total, highest, left = total + reading, max(highest, reading), left - 1
    zero, limit, unlearnt = state.zero << ZERO_BITS | state.zero_low, state.zero_limit, state.unlearnt
    if left == 0:
        zero, limit, unlearnt = learn_zero(words, total, highest, zero, limit, unlearnt)
    s = state
    return FixedState(
        whole >> 8, total, zero >> ZERO_BITS, limit, highest, left, whole & 0xFF,
        zero & ZERO_MASK, unlearnt, s.countdown,
        s.judge_left, s.patience, s.full, s.window, s.aim, s.peak, s.peak_before, s.noise, s.gate, s.mute,
        s.fade,
    )  # fmt: skip


@compiled_with(nogil=True)
def start_moving(words: FixedWords) -> IntArray:
    """What a moving mean or maximum holds at rest, words of 16 bit, shape (2 + readings,).

    First the total (its start rounds half up) or the maximum, then the place of the oldest, then the past.
    """
    held = np.zeros(2 + words.moving_readings, np.int64)
    held[0] = 0x8000 if words.moving_factor else 0
    return held


@compiled_with(nogil=True)
def moving(words: FixedWords, held: IntArray, envelope: int) -> int:
    """Mean or maximum of the last moving_readings envelope words; held (start_moving) is brought up to date.

    A mean's total is the sum of all its words times the factor, nothing of it ever cut away.
    """
    place = 2 + held[1]
    oldest = held[place]
    held[place] = envelope
    held[1] = held[1] + 1 if held[1] + 1 < words.moving_readings else 0
    if words.moving_factor:
        held[0] += (envelope - oldest) * words.moving_factor
        return int(held[0]) >> 16
    if envelope >= held[0]:
        held[0] = envelope
    elif oldest == held[0]:
        most = held[2]
        for k in range(3, held.size):
            most = max(most, held[k])
        held[0] = most
    return int(held[0])


@compiled_with(nogil=True)
def between(table: IntArray, position: int) -> int:
    """Entry position/256 and its fraction of the way to the next one, rounded half up."""
    low: int = table[position >> 8]
    step: int = table[(position >> 8) + 1] - low
    return low + ((step * (position & 0xFF) + 128) >> 8)


@compiled_with(nogil=True)
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


@compiled_with(nogil=True)
def scale(value: int, factor: int) -> int:
    """value * (factor + 1) / 65536, rounded down."""
    return (value * factor + value) >> 16


@compiled_with(nogil=True)
def judge(
    words: FixedWords,
    window: int,
    aim: int,
    full: int,
    peak: int,
    peak_before: int,
    patience: int,
    mute: int,
) -> tuple[int, int]:
    """Where the window is to go, and the patience left.

    full: adaptations of this time at full light; peak, peak_before: highest level of this time and of the one
    before. Too much full light, more than full_most, is borne until the patience is at its end; then the
    window goes up by window_step a time, while muted all the way at once. Silence is borne as long; then the
    window goes down to where it started. Peaks more than window_band under the ceiling for two times let it
    go down until they are window_aim under it; nearer ones let it go on to the aim that it has.
    """
    reach, left = max(peak - window, 0), words.patience
    over = reach - words.range_level
    if mute > 0 and over > 0:
        aim = window + over
    elif full > words.full_most or peak <= words.sound_level:
        aim, left = window, max(patience - 1, 0)
        if patience == 0 and full <= words.full_most:
            aim = min(window, words.window_start)
        elif patience == 0 and over > 0:
            aim = window + min(over, words.window_step)
    else:
        reach = max(reach, peak_before - window)
        if reach < words.range_level - words.window_band:
            aim = window - min(words.range_level - words.window_aim - reach, window - words.window_least)
    return min(aim, words.window_most), left


@compiled_with(nogil=True)
def adapt(words: FixedWords, s: FixedState, position: int) -> FixedState:
    """State s after an adaptation: window a little nearer to its aim, noise dropped or crept up."""
    window, noise = s.window, s.noise
    if s.aim > window:
        window = min(window + words.window_rise, s.aim)
    elif s.aim < window:
        window = max(window - words.window_fall, s.aim)
    if position < noise:
        noise = position
    elif noise < words.noise_most:
        noise += words.noise_rise
    full = s.full + 1 if position >= words.range_level else s.full
    return FixedState(
        s.envelope, s.zero_sum, s.zero, s.zero_limit, s.highest, s.zero_left, s.envelope_low, s.zero_low,
        s.unlearnt, words.adapt_every, s.judge_left - 1, s.patience, full, window, s.aim, s.peak,
        s.peak_before, noise, s.gate, s.mute, s.fade,
    )  # fmt: skip


@compiled_with(nogil=True)
def judged(words: FixedWords, s: FixedState, countdown: int) -> FixedState:
    """State s after a judgement; while muted the window is where it is to go at once."""
    aim, patience = judge(words, s.window, s.aim, s.full, s.peak, s.peak_before, s.patience, s.mute)
    window = aim if s.mute > 0 else s.window
    before = s.peak if s.peak > words.sound_level else s.peak_before
    return FixedState(
        s.envelope, s.zero_sum, s.zero, s.zero_limit, s.highest, s.zero_left, s.envelope_low, s.zero_low,
        s.unlearnt, countdown, words.judge_every, patience, 0, window, aim, 0, before, s.noise, s.gate,
        s.mute, s.fade,
    )  # fmt: skip


@compiled_with(nogil=True)
def brightness(
    words: FixedWords, state: FixedState, table: IntArray, envelope: int
) -> tuple[int, FixedState]:
    """Duty of an envelope word, and the state after window, noise and gate have taken notice of it."""
    s, countdown, peak, position = state, state.countdown, state.peak, envelope
    if words.level_index:
        now = level(envelope)
        position = min(max(now, s.window) - s.window, words.range_level)
        if words.automatic:
            peak, countdown = max(peak, now), countdown - 1
    s = FixedState(
        s.envelope, s.zero_sum, s.zero, s.zero_limit, s.highest, s.zero_left, s.envelope_low, s.zero_low,
        s.unlearnt, countdown, s.judge_left, s.patience, s.full, s.window, s.aim, peak, s.peak_before,
        s.noise, s.gate, s.mute, s.fade,
    )  # fmt: skip
    if words.automatic:
        if countdown == 0:
            s = adapt(words, s, position)
        elif s.judge_left == 0:
            s = judged(words, s, countdown)
    lit = position >= s.noise + s.gate
    gate = words.gate_close if lit else words.gate_open
    duty = between(table, position) if lit else words.base_duty
    mute, fade = s.mute, s.fade
    if fade != words.dim and mute > 0:
        mute, duty = mute - 1, 0
    else:
        fade = min(fade + words.fade_step, words.dim)
        duty = scale(duty, fade)
    return duty, FixedState(
        s.envelope, s.zero_sum, s.zero, s.zero_limit, s.highest, s.zero_left, s.envelope_low, s.zero_low,
        s.unlearnt, s.countdown, s.judge_left, s.patience, s.full, s.window, s.aim, s.peak, s.peak_before,
        s.noise, gate, mute, fade,
    )  # fmt: skip


@compiled_with(nogil=True)
def run(
    words: FixedWords,
    state: FixedState,
    table: IntArray,
    readings: IntArray,
    offsets: IntArray,
    trace: IntArray,
) -> FixedState:
    """Step through readings; offsets: steps of sensitivity, one of 0 or more is chosen before its reading.

    trace (readings, 2 + states) takes envelope word, duty and the values of the state after each step.
    """
    for n in range(readings.shape[0]):
        if offsets[n] >= 0:
            state = choose_offset(words, state, offsets[n])
        state = follow(words, state, readings[n])
        word = state.envelope >> 16
        duty, state = brightness(words, state, table, word)
        trace[n, 0], trace[n, 1] = word, duty
        for k, value in enumerate(state):
            trace[n, 2 + k] = value
    return state


@compiled_with(nogil=True)
def run_frames(
    words: FixedWords,
    state: FixedState,
    table: IntArray,
    readings: IntArray,
    frame_ends: IntArray,
    offsets: IntArray,
    held: IntArray,
    trace: IntArray,
) -> FixedState:
    """Follow every reading; each frame takes the envelope of the first frame_ends readings.

    held: of the moving mean or maximum, as start_moving; brought up to date. offsets (frames,): chosen before
    the frame. trace (frames, 5): envelope word, duty, zero, window, noise.
    """
    done, moves = 0, words.moving_readings > 1
    # What the last reading gave; a frame before any reading of this run shows it again.
    word = shown_word(words, state, held)
    for k in range(frame_ends.shape[0]):
        while done < frame_ends[k]:
            state = follow(words, state, readings[done])
            word = moving(words, held, state.envelope >> 16) if moves else state.envelope >> 16
            done += 1
        if offsets[k] >= 0:
            state = choose_offset(words, state, offsets[k])
        duty, state = brightness(words, state, table, word)
        trace[k, 0], trace[k, 1], trace[k, 2] = word, duty, state.zero << ZERO_BITS | state.zero_low
        trace[k, 3], trace[k, 4] = state.window, state.noise
    for n in range(done, readings.shape[0]):
        state = follow(words, state, readings[n])
        if moves:
            moving(words, held, state.envelope >> 16)
    return state


@compiled_with(nogil=True)
def shown_word(words: FixedWords, state: FixedState, held: IntArray) -> int:
    """The envelope word that a frame takes if no reading comes before it; held: words, as start_moving."""
    if words.moving_readings > 1:
        return int(held[0]) >> 16 if words.moving_factor else int(held[0])
    return state.envelope >> 16
