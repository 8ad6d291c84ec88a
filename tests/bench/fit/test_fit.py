"""Invented boards fitted: intervals that hold the truth, errors far inside what the bench promises.

The truth comes from continuous time (tests/bench/invented.py), never from the model that is fitted. The long
figure, 200 boards, is `python tests/bench/invented.py coverage 50`.
"""

from __future__ import annotations

import numpy as np
import pytest
from bench.invented import FAULTS, bench, capture_of, covered, drawn
from bench.invented import truth_of as truth

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.align import ENOUGH, ENOUGH_WHOLE, NoMarksError, align, align_whole
from envlab.bench.fit.values import designed_values

KINDS = (("wire", 10), ("acoustic", 12))
FEW = 6


def check_rows(rows: list[dict[str, tuple[bool, float, float]]]) -> None:
    for name in rows[0]:
        holds = [row[name][0] for row in rows]
        # At 95 % three misses of twelve come by chance once in fifty.
        assert sum(holds) >= len(rows) - max(1, len(rows) // 4), (name, [row[name] for row in rows])
    attack, release = (np.median([abs(row[name][1]) for row in rows]) for name in ("attack_s", "release_s"))
    assert attack < 0.03
    assert release < 0.015


@pytest.mark.parametrize(("way", "bits"), KINDS)
def test_one_board_is_found(way, bits):
    row = covered(way, bits, 1000)
    assert abs(row["attack_s"][1]) < 0.03
    assert abs(row["release_s"][1]) < 0.015
    assert sum(holds for holds, _, _ in row.values()) >= len(row) - 2
    assert all(half > 0 for _, _, half in row.values())


@pytest.mark.slow
@pytest.mark.parametrize(("way", "bits"), KINDS)
def test_intervals_hold_the_truth(way, bits):
    check_rows([covered(way, bits, 2000 + number) for number in range(FEW)])


def test_marks_are_found_within_a_sample_before_any_fit():
    for number in range(3):
        rng = np.random.default_rng([2026, 7, number])
        board = drawn("wire", 10, rng)
        checker, _ = bench("wire", 10)
        found = align(capture_of(board, "wire", 10, rng), checker.model, designed_values(checker.chain))
        wanted = truth(board, "wire", 10)
        assert abs(found.delay_s - wanted["delay_s"]) < 1e-3
        assert abs(found.clock - wanted["clock"]) < 1e-4


def test_noise_resembles_no_mark():
    checker, _ = bench("wire", 10)
    rng = np.random.default_rng(11)
    for _ in range(3):
        noise = Capture(
            "adc_counts", np.arange(20_000) / 1000, np.floor(100 + 5 * rng.standard_normal(20_000))
        )
        with pytest.raises(NoMarksError, match="marks were not found") as said:
            align(noise, checker.model, designed_values(checker.chain))
        likeness = float(str(said.value).split("likeness ")[1].split(",")[0])
        assert likeness < 0.4 < ENOUGH


def test_by_its_whole_length_a_board_is_found_in_its_noise_and_a_drum_line_is_none():
    """A board with swapped resistors: 5 counts, and 0.95 of noise from one reading to the next."""
    checker, _ = bench("wire", 10)
    rng = np.random.default_rng([2026, 15, 4, list(FAULTS).index("swapped"), 209])
    board = FAULTS["swapped"][0](drawn("wire", 10, rng), rng)
    swapped = [one for one in checker._shapes() if one.attack_s > one.release_s]
    assert len(swapped) == 1
    found = align_whole(capture_of(board, "wire", 10, rng), checker.model, swapped)
    assert found.likeness > 0.95
    assert abs(found.delay_s - board.delay_s) < 0.01
    assert abs(found.clock - board.clock) < 1e-3
    with pytest.raises(NoMarksError, match="marks were not found") as said:
        align_whole(drum_line(), checker.model, swapped)
    assert float(str(said.value).split("likeness ")[1].split(",")[0]) < 0.5 < ENOUGH_WHOLE


def drum_line() -> Capture:
    """Invented: a beat every 0.3 to 0.6 s, each louder or softer, that dies away."""
    rng = np.random.default_rng(21)
    beats = np.zeros(20_000)
    beats[np.cumsum(rng.integers(300, 600, 40))] = rng.uniform(50, 250, 40)
    dying = np.exp(-np.arange(2000) / 200)
    return Capture("adc_counts", np.arange(beats.size) / 1000, np.floor(np.convolve(beats, dying)[:20_000]))
