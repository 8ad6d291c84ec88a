"""Envelopes that try the moving mean and maximum, and what the twin says of each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from firmware import twin_vectors

from envlab.digital import fixed_kernels as kernels
from envlab.digital.fixed_words import FixedWords, mean_factor
from envlab.firmware.export import MOVING_FILES, RUNTIME_FOLDER

DRIVER = Path(__file__).parent / "moving_driver.c"
RECORD = np.dtype([("answer", "<u2"), ("place", "u1"), ("oldest", "<u2")])


def words_of(readings: int, mean: bool) -> FixedWords:
    """Return a design's words with a moving mean or maximum of so many readings."""
    factor = mean_factor(readings) if mean else 0
    return twin_vectors.CASES["parade"].words._replace(moving_readings=readings, moving_factor=factor)


CASES = {
    "mean of 10": words_of(10, True),
    "mean of 2": words_of(2, True),
    "mean of 255": words_of(255, True),
    "maximum of 10": words_of(10, False),
    "maximum of 2": words_of(2, False),
    "maximum of 255": words_of(255, False),
}


def moving_files(words: FixedWords) -> dict[str, str]:
    """Return the C files and a parameter header with nothing else in it."""
    names = (*MOVING_FILES, "envlab_products.h")
    files = {name: (RUNTIME_FOLDER / name).read_text("ascii") for name in names}
    macros = (("READINGS", words.moving_readings), ("FACTOR", words.moving_factor))
    lines = [f"#define ENVLAB_MOVING_{name} {value}" for name, value in macros]
    files["envlab_parameters.h"] = "#include <stdint.h>\n" + "\n".join(lines) + "\n"
    return files


def envelopes(count: int, seed: int = 1) -> np.ndarray:
    """Return envelope words (count,): both ends held, falls after peaks, whole counts and every size."""
    rng = np.random.default_rng(seed)
    ends = np.repeat([0, 65_535, 0, 64, 65_535], 300)
    falls = np.concatenate([np.linspace(top, 0, 40) for top in (65_535, 40_000, 700, 64)]).astype(np.int64)
    sizes = (2.0 ** rng.uniform(0, 16, count)).astype(np.int64)
    steps = np.repeat(64 * rng.integers(0, 1024, count // 8 + 1), rng.integers(1, 16, count // 8 + 1))
    return np.concatenate((ends, falls, sizes[: count // 2], steps))[:count]


def expected(words: FixedWords, given: np.ndarray) -> np.ndarray:
    """Return the twin's records."""
    held, records = kernels.start_moving(words), np.empty(given.size, RECORD)
    for n, word in enumerate(given.tolist()):
        answer = kernels.moving(words, held, word)
        records[n] = (answer, held[1], held[2 + held[1]])
    return records
