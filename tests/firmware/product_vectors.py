"""Stimuli for product_driver.c with carries and borrows at every place, and what plain numbers make of
them."""

from __future__ import annotations

import numpy as np

INPUT_BYTES, RECORD_BYTES = 14, 23
FINE = 1 << 40


def product_stimuli(count: int = 6000, seed: int = 3) -> np.ndarray:
    """Return stimuli (count, 14). Half of all bytes are 0 or 255, where carries are born and handed on.

    A third of the sums are such that a*b, added or taken away, just reaches or just misses the next carry.
    """
    rng = np.random.default_rng(seed)
    stimuli = rng.integers(0, 256, (count, INPUT_BYTES), dtype=np.uint8)
    ends = rng.random((count, INPUT_BYTES))
    stimuli[ends < 0.25] = 0
    stimuli[ends > 0.75] = 255
    for row in stimuli[: count // 3]:
        product = _word(row, 5) * _word(row, 7)
        place = 1 << (8 * int(rng.integers(0, 6)))
        edge = (int(rng.integers(0, 4)) * place - product + int(rng.integers(-1, 2))) % FINE
        if rng.random() < 0.5:
            edge = (product + int(rng.integers(0, 4)) * place + int(rng.integers(-1, 2))) % FINE
        if rng.random() < 0.5:
            edge = (edge << 8) % FINE
        row[4], row[:4] = edge & 0xFF, list((edge >> 8).to_bytes(4, "little"))
    for row in stimuli:
        # low + step stays a word, as it does in every table.
        step = _word(row, 11) % (0x10000 - _word(row, 9))
        row[11], row[12] = step & 0xFF, step >> 8
    return stimuli


def product_records(stimuli: np.ndarray) -> bytes:
    """Return what product_driver.c must write for stimuli (n, 14), in whole numbers of any length."""
    out = bytearray()
    for row in stimuli:
        total, behind = int.from_bytes(row[:4].tobytes(), "little"), int(row[4])
        product = _word(row, 5) * _word(row, 7)
        fine = total << 8 | behind
        low, step, fraction = _word(row, 9), _word(row, 11), int(row[13])
        out += (total >> 16).to_bytes(2, "little")
        out += ((total + product) % 2**32).to_bytes(4, "little")
        out += ((total - product) % 2**32).to_bytes(4, "little")
        out += ((fine + product) % FINE).to_bytes(5, "little")
        out += ((fine - product) % FINE).to_bytes(5, "little")
        out += (low + (step * fraction + 128) // 256).to_bytes(2, "little")
        out += b"\0"
    return bytes(out)


def _word(row: np.ndarray, at: int) -> int:
    return int(row[at]) | int(row[at + 1]) << 8
