"""The numbers that the firmware's runtime works with: parameters, state, and what they may be."""

from __future__ import annotations

from typing import NamedTuple

from envlab.errors import ParameterError

WORD_MOST = 0xFFFF


class FixedWords(NamedTuple):
    """The runtime's parameters as it has them; units and Q formats stand in the parameter header."""

    rest: int
    attack_factor: int
    attack_fraction: int
    release_factor: int
    release_fraction: int
    level_index: int
    range_level: int
    automatic: int
    adapt_every: int
    window_start: int
    window_least: int
    window_most: int
    window_rise: int
    window_fall: int
    noise_most: int
    noise_rise: int
    gate_open: int
    gate_close: int
    rest_duty: int
    cap: int
    window_least_sensitive: int
    offset_step: int
    offset_steps: int


class FixedState(NamedTuple):
    """All that the runtime carries from one reading to the next."""

    envelope: int
    window: int
    noise: int
    gate: int
    envelope_low: int
    countdown: int


def check_words(words: FixedWords, entries: int) -> None:
    """Raise ParameterError unless the runtime can work with these words and a table of so many entries.

    What is checked keeps every sum within 16 bit, so that a machine whose int has 16 bits needs no more.
    """
    for name, value in words._asdict().items():
        if not isinstance(value, int) or not 0 <= value <= WORD_MOST:
            raise ParameterError(name, value, f"a whole number from 0 to {WORD_MOST}")
    for name in ("attack_factor", "release_factor", "offset_steps"):
        _at_least(name, getattr(words, name), 1)
    for name in ("adapt_every", "offset_steps"):
        _at_most(name, getattr(words, name), 255)
    for name in ("attack_fraction", "release_fraction"):
        if getattr(words, name) not in (16, 24):
            raise ParameterError(name, getattr(words, name), "16 or 24")
    _at_most("gate_close", words.gate_close, words.gate_open)
    if words.automatic:
        _check_automatic(words)
    _at_most("noise_most", words.noise_most + words.noise_rise, WORD_MOST - words.gate_open)
    if not words.level_index:
        _at_most("automatic", words.automatic, 0)
        _at_least("entries", entries, 257)
        return
    _at_least("entries", entries, (words.range_level >> 8) + 2)
    _at_least("offset_step", words.window_least_sensitive, (words.offset_steps - 1) * words.offset_step)


def _check_automatic(words: FixedWords) -> None:
    _at_least("adapt_every", words.adapt_every, 1)
    _at_least("window_start", words.window_start, words.window_least)
    _at_most("window_start", words.window_start, words.window_most)
    _at_least("window_least", words.window_least + 1, words.window_fall)
    _at_most("window_most", words.window_most + words.window_rise, WORD_MOST)


def _at_most(name: str, value: int, most: int) -> None:
    if value > most:
        raise ParameterError(name, value, f"at most {most}")


def _at_least(name: str, value: int, least: int) -> None:
    if value < least:
        raise ParameterError(name, value, f"at least {least}")
