"""What cannot be had together: the candidates that no other beats in everything, and what each part moves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, cast

import numpy as np

from envlab.errors import ParameterError, check_choice
from envlab.study.specification.ranges import Choices, steps_from, values_of
from envlab.units import BoolArray

if TYPE_CHECKING:
    import pandas as pd

# metric → which way is better
WANTED: dict[str, str] = {
    "beat_contrast_lstar": "high",
    "onset_lag_worst_ms": "low",
    "frame_shimmer_lstar": "low",
    "supply_mean_a": "low",
}


def pareto_front(table: pd.DataFrame, wanted: Mapping[str, str] = WANTED) -> BoolArray:
    """Return for each row whether no other row is at least as good in every metric and better in one.

    wanted: metric (a column) → "high" or "low". Rows with equal metrics stand or fall together; a row with a
    missing metric is never on the front. Raises ParameterError for a metric that the table lacks.
    """
    for metric, way in wanted.items():
        check_choice(metric, way, ("high", "low"))
        if metric not in table:
            raise ParameterError("wanted", metric, "a column of the table")
    cost = np.stack(
        [table[metric].to_numpy(float) * (-1 if way == "high" else 1) for metric, way in wanted.items()],
        axis=1,
    )
    front: BoolArray = np.isfinite(cost).all(axis=1)
    # Cheapest sums first: a row can only be beaten by one with a smaller sum, which has been seen by then.
    order = np.argsort(cost.sum(axis=1), kind="stable")
    kept = np.empty((0, cost.shape[1]))
    for row in order:
        if not front[row]:
            continue
        beaten = (kept <= cost[row]).all(axis=1) & (kept < cost[row]).any(axis=1)
        if beaten.any():
            front[row] = False
        else:
            kept = np.vstack((kept, cost[row]))
    return front


def sensitivity(table: pd.DataFrame, number: int, ranges: Mapping[str, Choices]) -> pd.DataFrame:
    """Return by how much each metric moves when one part goes to the next value of its range.

    number: row of the candidate round which to look. One row per swept part that has numbers as values, one
    column per metric: the largest change, up or down the range, in the metric's own unit, with its sign. NaN
    where the range has no neighbour.
    """
    import pandas as pd

    chosen = table.loc[number]
    metrics = [
        name
        for name in table.columns
        if name not in ranges and pd.api.types.is_numeric_dtype(table[name]) and "[" not in name
    ]
    rows = {}
    for key, choices in ranges.items():
        if any(isinstance(value, str) for value in values_of(key, choices)):
            continue
        changes = [
            table.loc[near, metrics].astype(float) - chosen[metrics].astype(float)
            for near in neighbours(table, number, ranges, key)
        ]
        if not changes:
            rows[key] = pd.Series(np.nan, index=metrics)
            continue
        stacked = np.stack([change.to_numpy(float) for change in changes])
        largest = np.abs(stacked).argmax(axis=0)
        rows[key] = pd.Series(stacked[largest, np.arange(len(metrics))], index=metrics)
    return pd.DataFrame(rows).T


def neighbours(table: pd.DataFrame, number: int, ranges: Mapping[str, Choices], key: str) -> list[int]:
    """Return the rows that differ from row number only in key, by one step of its range: smaller, larger."""
    chosen = table.loc[number]
    same = np.ones(len(table), dtype=bool)
    for other in ranges:
        if other != key:
            same &= (table[other] == chosen[other]).to_numpy()
    near = steps_from(key, ranges[key], cast("float | str", chosen[key]))
    return [int(row) for step in near for row in table.index[same & (table[key] == step).to_numpy()]]
