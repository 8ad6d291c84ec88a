"""Designs of the flash guard, the lights that try them, and what the twin says of each frame."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from envlab.digital.guard.flash_guard import state_row
from envlab.digital.guard.flash_guard_kernels import STATE_SIZE, trace
from envlab.digital.guard.guard_words import DARK, GuardWords, guard_words
from envlab.firmware.export import RUNTIME_FOLDER
from envlab.firmware.headers.guard_macros import GUARD_FILES, guard_text

DRIVER = Path(__file__).parent / "guard_driver.c"
RECORD = np.dtype(
    [
        ("shown", "<u2"),
        ("left", "u1", 8),
        ("stamp", "u1", 8),
        ("low", "<u2"),
        ("flip", "<u2"),
        ("cell", "u1"),
        ("now", "u1"),
        ("first", "u1"),
        ("next", "u1"),
        ("phase", "u1"),
    ]
)
CASES = {
    "8 bit, capped": guard_words(100.0, bits=8, brightest_duty=18_118),
    "8 bit, full": guard_words(30.0, bits=8),
    "8 bit, a few codes": guard_words(60.0, bits=8, brightest_duty=2_400),
    "16 bit, capped": guard_words(100.0, bits=16, brightest_duty=18_233),
    "16 bit, full, ticks of 5 frames": guard_words(1000.0, bits=16),
    "12 bit": guard_words(50.0, bits=12, brightest_duty=40_000),
    "8 bit, limit over the frame": guard_words(
        40.0, bits=8, dimmest_full_duty=18_233, always_duty=18_233, slack_codes=1
    ),
    "16 bit, limit over the frame": guard_words(12.0, bits=16, dimmest_full_duty=18_233, always_duty=18_233),
}


def guard_files(words: GuardWords) -> dict[str, str]:
    """Return the guard's C files and a parameter header with nothing else in it."""
    files = {name: (RUNTIME_FOLDER / name).read_text("ascii") for name in GUARD_FILES}
    files["envlab_parameters.h"] = "#include <stdint.h>\n" + guard_text(words)
    return files


def lights(words: GuardWords, frames: int, seed: int = 1) -> np.ndarray:
    """Return duty words (frames,) that visit both ends, every threshold, and all speeds from steps to fades.

    Levels near whole changes above and below each other, held for a few frames or faded into one another.
    """
    rng = np.random.default_rng(seed)
    up = 8 if words.bits == 8 else 0
    least, top = words.least << up, words.top << up
    code = 1 << (16 - words.bits)
    near = np.array(
        [
            0,
            0,
            least,
            2 * least,
            top - least,
            top,
            min(top + least, 65_535),
            min(words.always, words.top) << up,
        ]
    )
    found: list[np.ndarray] = []
    total, last, pace = 0, 0, 8.0
    second = words.reach * words.frames_per_tick
    while total < frames:
        pace = rng.choice([1, 9, 14, 20, 40]) if rng.random() < 0.03 else pace
        level = int(rng.choice(near)) if rng.random() < 0.6 else int(rng.integers(0, top))
        level = int(np.clip(level + rng.integers(-2, 3) * code, 0, 65_535))
        length = 1 + int(rng.exponential(second / pace))
        way = np.linspace(last, level, length + 1)[1:] if rng.random() < 0.3 else np.full(length, level)
        found.append(way)
        total, last = total + length, level
    return np.rint(np.concatenate(found)[:frames]).astype(np.int64)


def expected(words: GuardWords, duties: np.ndarray) -> np.ndarray:
    """Return the twin's records (frames,)."""
    rows = np.empty((duties.size, 1 + STATE_SIZE), np.int64)
    trace(words, state_row(DARK), duties, rows)
    records = np.empty(duties.size, RECORD)
    records["shown"], records["left"], records["stamp"] = rows[:, 0], rows[:, 1:9], rows[:, 9:17]
    for place, name in enumerate(("low", "flip", "cell", "now", "first", "next", "phase"), start=17):
        records[name] = rows[:, place]
    return records
