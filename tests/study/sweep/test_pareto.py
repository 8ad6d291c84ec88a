"""The front against its definition, pair by pair; sensitivity and neighbours on a table made by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from reference.examples import examples

from envlab.analog.parts import PartRange
from envlab.errors import ParameterError
from envlab.study.sweep.pareto import neighbours, pareto_front, sensitivity

WANTED = {"a_lstar": "high", "b_ms": "low", "c_a": "low"}


@examples(60)
@given(arrays(np.float64, st.tuples(st.integers(1, 25), st.just(3)), elements=st.integers(0, 4).map(float)))
def test_front_is_what_nobody_beats(values: np.ndarray) -> None:
    table = pd.DataFrame(values, columns=list(WANTED))
    cost = values * [-1, 1, 1]
    for row, on_front in enumerate(pareto_front(table, WANTED)):
        beaten = any(
            all(cost[other] <= cost[row]) and any(cost[other] < cost[row]) for other in range(len(cost))
        )
        assert on_front == (not beaten)


def test_rows_with_a_missing_metric_are_not_on_it() -> None:
    table = pd.DataFrame({"a_lstar": [1.0, np.nan], "b_ms": [1.0, 0.0], "c_a": [1.0, 0.0]})
    assert list(pareto_front(table, WANTED)) == [True, False]


def test_unknown_metrics_and_ways_are_refused() -> None:
    table = pd.DataFrame({"a_lstar": [1.0]})
    with pytest.raises(ParameterError, match="wanted is 'b_ms'"):
        pareto_front(table, {"b_ms": "low"})
    with pytest.raises(ParameterError, match="high, low"):
        pareto_front(table, {"a_lstar": "best"})


@pytest.fixture
def grid() -> tuple[pd.DataFrame, dict[str, PartRange]]:
    ranges = {
        "detector.attack_ohm": PartRange("E3", 1e3, 4.7e3),
        "detector.release_ohm": PartRange("E3", 1e5, 2.2e5),
    }
    rows = list(itertools.product(*(choices.values for choices in ranges.values())))
    table = pd.DataFrame(rows, columns=list(ranges))
    table["latency_ms"] = table["detector.attack_ohm"] / 1e3
    table["fall_ms"] = -table["detector.release_ohm"] / 1e3
    table["blocking_target"] = ""
    return table, ranges


def test_neighbours_differ_in_one_part_by_one_step(grid) -> None:
    table, ranges = grid
    assert neighbours(table, 2, ranges, "detector.attack_ohm") == [0, 4]
    assert neighbours(table, 0, ranges, "detector.attack_ohm") == [2]
    assert neighbours(table, 2, ranges, "detector.release_ohm") == [3]


def test_sensitivity_is_the_larger_of_both_steps_with_its_sign(grid) -> None:
    table, ranges = grid
    moved = sensitivity(table, 2, ranges)
    assert list(moved.columns) == ["latency_ms", "fall_ms"]
    # E3: 1.0, 2.2, 4.7 (IEC 60063). From 2.2 the larger step is up, by 2.5.
    assert moved.loc["detector.attack_ohm", "latency_ms"] == pytest.approx(2.5)
    assert moved.loc["detector.attack_ohm", "fall_ms"] == 0
    assert moved.loc["detector.release_ohm", "fall_ms"] == pytest.approx(-120)
