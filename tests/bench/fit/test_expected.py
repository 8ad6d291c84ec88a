"""What is expected of a board beside its capture: weighed as its covariance says, and silent of the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench.invented import FAULTS, bench, capture_of, drawn
from scipy.stats import multivariate_normal

from envlab.bench.faults.ranking import expected_of
from envlab.bench.fit.expected import Expected
from envlab.bench.fit.fit import FittedBoard, fit_as, fit_board
from envlab.bench.fit.values import designed_values
from envlab.bench.fit.vector import vector_of

NAMES = ("gain", "attack_s", "drop_v")
SPREAD = np.array([[0.04, 0.01, 0.0], [0.01, 0.09, 0.002], [0.0, 0.002, 0.0001]])
MIDDLE = np.array([0.1, -5.0, 0.003])


def test_rows_weigh_as_the_normal_density_of_scipy():
    """Two points' squares differ by twice what their log densities do; of the clock nothing is expected."""
    rows, middle = Expected(NAMES, MIDDLE, SPREAD).rows(("drop_v", "clock", "attack_s"))
    assert rows.shape == (2, 3)
    points = np.array([[0.01, 0.004, -4.8], [-0.005, -0.01, -5.3]])
    squares = [float(np.sum((rows @ point - middle) ** 2)) for point in points]
    density = multivariate_normal(MIDDLE[[2, 1]], SPREAD[np.ix_([2, 1], [2, 1])])
    logs = [density.logpdf(point[[0, 2]]) for point in points]
    assert squares[0] - squares[1] == pytest.approx(-2 * (logs[0] - logs[1]), rel=1e-9)


def test_nothing_expected_says_nothing():
    rows, middle = Expected((), np.zeros(0), np.zeros((0, 0))).rows(("gain", "clock"))
    assert rows.shape == (0, 2)
    assert middle.shape == (0,)


def test_expected_of_a_fault_is_the_healthy_boards_scatter_about_it():
    checker, _ = bench("wire", 10)
    design = designed_values(checker.chain)
    slow = replace(design, attack_s=10 * design.attack_s)
    found = expected_of(slow, checker.chain, "wire", checker.healthy)
    rows = np.array([vector_of(one, found.names) for one in checker.healthy])
    away = np.where(np.array(found.names) == "attack_s", np.log(10), 0.0)
    assert found.middle == pytest.approx(rows.mean(axis=0) + away, abs=1e-12)
    beside = found.spread - np.cov(rows.T)
    assert np.abs(beside - np.diag(np.diag(beside))).max() < 1e-12
    assert np.diag(beside).min() > 0.0


@pytest.mark.slow
def test_a_few_counts_are_told_by_what_is_expected_where_they_alone_cannot():
    """Swapped resistors: half the gain and half the attack read alike, so alone neither is told."""
    place = list(FAULTS).index("swapped")
    rng = np.random.default_rng([2026, 15, 4, place, 203])
    board = FAULTS["swapped"][0](drawn("wire", 10, rng), rng)
    checker, _ = bench("wire", 10)
    capture = capture_of(board, "wire", 10, rng)
    assert np.percentile(capture.values, 99.9) < 8
    alone = fit_board(capture, checker.model, checker._aligned(capture))
    design = designed_values(checker.chain)
    swapped = replace(design, attack_s=design.release_s, release_s=design.attack_s)
    expected = expected_of(swapped, checker.chain, "wire", checker.healthy)
    both = fit_as(capture, checker.model, alone, swapped, expected)
    assert both.rms < 1.01 * alone.rms
    for name in ("gain", "attack_s"):
        assert deviation(both, name) < 0.15
        assert deviation(alone, name) > 0.5
    for name, true in (("attack_s", board.attack_ohm), ("release_s", board.release_ohm)):
        off = np.log(getattr(both.values, name) / (true * board.hold_farad))
        assert abs(off) < 3 * deviation(both, name)
    # What is printed is the capture's alone.
    told = both.intervals["attack_s"]
    assert told.high / told.low > 2.0


def deviation(board: FittedBoard, name: str) -> float:
    """Of the number's logarithm."""
    place = board.names.index(name)
    return float(np.sqrt(board.covariance[place, place]))
