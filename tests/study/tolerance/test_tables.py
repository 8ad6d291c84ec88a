"""Tables of many boards, some of which stay dark: −inf dB of range is the worst there is, and no mistake."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from envlab.study.specification.targets import Target
from envlab.study.tolerance.tables import distribution_table, worst_case_of
from envlab.study.tolerance.tolerances import VariedParameter

RANGE = Target("range_used_db", "at_least", 40.0, 10.0)
MICROPHONE = VariedParameter("microphone_db", "microphone", "", -3.0, 3.0, 0.0, "uniform")
NOMINAL = pd.Series({"range_used_db": 41.0})


def boards(values: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"range_used_db": values})


def test_percentiles_lie_straight_between_boards():
    row = distribution_table([RANGE], NOMINAL, boards([40.0, 41.0, 42.0])).iloc[0]
    assert (row["low_5"], row["median"], row["high_95"]) == pytest.approx((40.1, 41.0, 41.9))
    assert row["worst"] == 40.0


@pytest.mark.parametrize(
    ("dark", "low", "median"), [(1, 36.0, 45.0), (2, -np.inf, 44.0), (11, -np.inf, -np.inf)]
)
def test_dark_boards_are_the_worst(dark, low, median):
    # Of twenty boards the 5 % point lies at place 0.95, next to board 1, the median at 9.5: 10, the even one.
    values = [-np.inf] * dark + [36.0 + i for i in range(20 - dark)]
    row = distribution_table([RANGE], NOMINAL, boards(values)).iloc[0]
    assert (row["low_5"], row["worst"]) == (low, -np.inf)
    assert row["median"] == median


def test_what_darkens_a_board_is_at_its_worst_case():
    """Neither end moves the metric alone; over the boards less sensitivity goes with the dark."""
    deviation = np.linspace(-3, 3, 60)
    metric = pd.Series(np.where(deviation < -1, -np.inf, 40 + deviation))
    worst_case = worst_case_of(RANGE, [MICROPHONE], deviation[:, np.newaxis], metric, pd.Series([41.0, 41.0]))
    assert worst_case is not None
    assert worst_case.values == [-3.0]
