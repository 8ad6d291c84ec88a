"""The numbers that the firmware's runtime works with: parameters, state, and what they may be."""

from __future__ import annotations

from typing import NamedTuple

from envlab.errors import ParameterError

WORD_MOST = 0xFFFF
BLOCK_BITS_LEAST, BLOCK_BITS_MOST = 4, 15
# An index of 8 bit names each of them.
MOST_MOVING = 255


class FixedWords(NamedTuple):
    """The runtime's parameters as it has them; units and Q formats stand in the parameter header."""

    zero_start: int
    zero_least: int
    zero_most: int
    zero_reach: int
    zero_still: int
    zero_rise: int
    zero_fall: int
    zero_block_bits: int
    attack_factor: int
    attack_fraction: int
    release_factor: int
    release_fraction: int
    level_index: int
    range_level: int
    automatic: int
    adapt_every: int
    judge_every: int
    window_start: int
    window_least: int
    window_most: int
    window_rise: int
    window_fall: int
    window_step: int
    full_most: int
    patience: int
    window_band: int
    window_aim: int
    sound_level: int
    noise_most: int
    noise_rise: int
    gate_open: int
    gate_close: int
    mute_frames: int
    fade_step: int
    base_duty: int
    dim: int
    window_least_sensitive: int
    offset_step: int
    offset_steps: int
    moving_readings: int = 1
    moving_factor: int = 0


class FixedState(NamedTuple):
    """All that the runtime carries from one call to the next.

    From envelope to unlearnt it belongs to the follower, the rest to the brightness.
    """

    envelope: int
    zero_sum: int
    zero: int
    zero_limit: int
    highest: int
    zero_left: int
    envelope_low: int
    zero_low: int
    unlearnt: int
    countdown: int
    judge_left: int
    patience: int
    full: int
    window: int
    aim: int
    peak: int
    peak_before: int
    noise: int
    gate: int
    mute: int
    fade: int


def check_words(words: FixedWords, entries: int) -> None:
    """Raise ParameterError unless the runtime can work with these words and a table of so many entries.

    What is checked keeps every sum within 16 bit, so that a machine whose int has 16 bits needs no more.
    """
    for name, value in words._asdict().items():
        if not isinstance(value, int) or not 0 <= value <= WORD_MOST:
            raise ParameterError(name, value, f"a whole number from 0 to {WORD_MOST}")
    for name in ("attack_factor", "release_factor", "offset_steps", "fade_step", "mute_frames"):
        _at_least(name, getattr(words, name), 1)
    for name in ("adapt_every", "judge_every", "patience", "offset_steps"):
        _at_most(name, getattr(words, name), 255)
    for name in ("attack_fraction", "release_fraction"):
        if getattr(words, name) not in (16, 24):
            raise ParameterError(name, getattr(words, name), "16 or 24")
    _check_moving(words)
    _at_most("gate_close", words.gate_close, words.gate_open)
    _at_most("noise_most", words.noise_most + words.noise_rise, WORD_MOST - words.gate_open)
    _check_zero(words)
    if words.automatic:
        _check_automatic(words)
    if not words.level_index:
        _at_most("automatic", words.automatic, 0)
        _at_least("entries", entries, 257)
        return
    _at_least("entries", entries, (words.range_level >> 8) + 2)
    _at_least("offset_step", words.window_least_sensitive, (words.offset_steps - 1) * words.offset_step)


def mean_factor(readings: int) -> int:
    """Return each reading's share in a moving mean of 2 to MOST_MOVING, in 1/65536, rounded down.

    Down, so that no sum of products passes 32 bit.
    """
    return (WORD_MOST + 1) // readings


def _check_moving(words: FixedWords) -> None:
    _at_least("moving_readings", words.moving_readings, 1)
    _at_most("moving_readings", words.moving_readings, MOST_MOVING)
    if words.moving_factor:
        _at_least("moving_readings", words.moving_readings, 2)
        _at_most("moving_factor", words.moving_factor, mean_factor(words.moving_readings))


def _check_zero(words: FixedWords) -> None:
    _at_least("zero_block_bits", words.zero_block_bits, BLOCK_BITS_LEAST)
    _at_most("zero_block_bits", words.zero_block_bits, BLOCK_BITS_MOST)
    _at_most("zero_least", words.zero_least, words.zero_start)
    _at_most("zero_start", words.zero_start, words.zero_most)
    # One addition of the low byte to a rise, and the smallest difference that a fall is taken from.
    _at_most("zero_rise", words.zero_rise, 0xFF00)
    _at_most("zero_fall", words.zero_fall, 0xFF00)
    _at_most("zero_most", words.zero_most, WORD_MOST - words.zero_reach - (words.zero_rise >> 8) - 1)


def _check_automatic(words: FixedWords) -> None:
    _at_least("adapt_every", words.adapt_every, 2)
    _at_least("judge_every", words.judge_every, 1)
    _at_least("patience", words.patience, 1)
    _at_least("window_start", words.window_start, words.window_least)
    _at_most("window_start", words.window_start, words.window_most)
    _at_most("window_band", words.window_band, words.range_level)
    _at_most("window_aim", words.window_aim, words.window_band)
    _at_most("window_least_sensitive", words.window_least_sensitive, words.window_most)
    most_sensitive = words.window_least_sensitive - (words.offset_steps - 1) * words.offset_step
    _at_least("offset_steps", most_sensitive, words.window_least)


def _at_most(name: str, value: int, most: int) -> None:
    if value > most:
        raise ParameterError(name, value, f"at most {most}")


def _at_least(name: str, value: int, least: int) -> None:
    if value < least:
        raise ParameterError(name, value, f"at least {least}")
