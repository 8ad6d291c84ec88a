"""States just at, below and above everything that the runtime compares, for placed_driver.c.

A run reaches most states seldom or never; here each is put in place and one step is taken from it. What
Python's twin makes of it, as plain Python on Python's integers, is what every machine must answer.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from firmware.targets import Driver
from firmware.twin_vectors import RECORD, Case

from envlab.digital import fixed_kernels as kernels
from envlab.digital.fixed_words import FixedState, FixedWords

DRIVER = Path(__file__).parent / "placed_driver.c"
CASES = ("parade", "both clamps", "ends of the words", "widest window")
_STATE = [(name, RECORD[name]) for name in FixedState._fields]
STIMULUS = np.dtype([*_STATE, ("reading", "<u2")])
SIZES = (STIMULUS.itemsize, RECORD.itemsize)


def whole_step_driver(folder: Path) -> Driver:
    """Return the driver whose step is one call, with the runtime of a folder."""
    sources = (DRIVER, folder / "envlab_runtime.c")
    return Driver(sources, *SIZES, defines=("PLACED_WHOLE_STEP",), include=(folder,))


def placed_stimuli(case: Case, count: int, seed: int = 1) -> np.ndarray:
    """Return states and readings (count,), of dtype STIMULUS."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(count):
        state, reading = _placed(case.words, rng)
        rows.append((*state, reading))
    return np.array(rows, STIMULUS)


def placed_records(case: Case, stimuli: np.ndarray) -> np.ndarray:
    """Return what the twin answers (count,), of dtype RECORD."""
    codes = case.codes.astype(np.int64)
    records = np.empty(len(stimuli), RECORD)
    for row, stimulus in zip(records, stimuli.tolist(), strict=True):
        state = kernels.follow(case.words, FixedState(*stimulus[:-1]), stimulus[-1])
        word = state.envelope >> 16
        duty, state = kernels.brightness(case.words, state, codes, word)
        for name, value in zip(RECORD.names, (word, duty, *state), strict=True):
            row[name] = value
    return records


def _placed(words: FixedWords, rng: np.random.Generator) -> tuple[FixedState, int]:
    def one_of(*values: int, low: int = 0, high: int = 65_535) -> int:
        return int(min(max(values[rng.integers(len(values))] + rng.integers(-1, 2), low), high))

    zero = one_of(
        words.zero_start, words.zero_least, words.zero_most,
        int(rng.integers(words.zero_least, words.zero_most + words.zero_reach + 1)),
        high=words.zero_most + words.zero_reach,
    )  # fmt: skip
    mean = one_of(words.zero_least, words.zero_most, zero, zero - 256, zero - 3, int(rng.integers(0, 65_536)))
    size = 1 << words.zero_block_bits
    total = min(mean * size + int(rng.integers(0, size)), 65_535 * size)
    window = one_of(
        words.window_start, words.window_least, words.window_most,
        low=words.window_least, high=words.window_most,
    )  # fmt: skip
    ends = [
        0,
        words.range_level,
        words.range_level - words.window_band,
        words.range_level + words.window_step,
    ]
    peak, before = (one_of(*(window + end for end in ends), words.sound_level, 0) for _ in range(2))
    countdown = int(rng.integers(1, 4))
    dim, step = words.dim, words.fade_step
    state = FixedState(
        envelope=int(rng.integers(0, 1 << 32)) >> int(rng.integers(0, 17)),
        zero_sum=total - mean,
        zero=zero,
        zero_limit=one_of(zero, zero + words.zero_reach, low=words.zero_reach),
        highest=one_of(mean, mean + words.zero_still),
        zero_left=int(rng.choice([0, 1, 1, 1, 2])),
        envelope_low=int(rng.integers(0, 256)),
        zero_low=one_of(0, 128, 255, high=255),
        unlearnt=int(rng.integers(0, 3)),
        countdown=countdown,
        judge_left=int(rng.integers(1, 3)) if countdown == 1 else int(rng.integers(0, 2)),
        patience=one_of(0, 1, words.patience, high=words.patience),
        full=one_of(0, words.full_most, words.full_most + 1, high=254),
        window=window,
        aim=one_of(
            window, window + words.window_rise, window - words.window_fall, words.window_start,
            low=words.window_least, high=words.window_most,
        ),
        peak=peak,
        peak_before=before,
        noise=one_of(0, words.noise_most, high=words.noise_most + words.noise_rise),
        gate=words.gate_open if rng.random() < 0.5 else words.gate_close,
        mute=int(rng.choice([0, 0, 1, 2])),
        fade=one_of(0, dim, dim - step, high=dim),
    )  # fmt: skip
    return state, mean
