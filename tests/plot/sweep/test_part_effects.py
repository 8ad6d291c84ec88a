"""What each part buys: the rows of the sweep's table, the target and the choice."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from reference.small_specification import Case

from envlab.plot.sweep.part_effects import (
    DEFAULT_METRICS,
    along,
    part_effect,
    part_effects,
    swept_keys,
)

KEY = "detector.attack_ohm"


def drawn(ax: Axes, label: str) -> tuple[list[float], list[float]]:
    found = next(line for line in ax.lines if line.get_label() == label)
    return list(map(float, found.get_xdata())), list(map(float, found.get_ydata()))


def test_the_swept_keys_are_those_with_more_than_one_value(case: Case) -> None:
    assert swept_keys(case.specification) == ("preamp.feedback_ohm", KEY, "detector.release_ohm")
    fixed = dataclasses.replace(
        case.specification, ranges={**case.specification.ranges, "preamp.feedback_ohm": (4700.0,)}
    )
    assert swept_keys(fixed) == (KEY, "detector.release_ohm")


def test_along_a_part_all_others_stay_as_chosen(case: Case) -> None:
    table, row = case.choice.table, case.choice.row
    rows = table[along(case.choice, case.specification, KEY)]
    assert list(rows[KEY]) == [10_000.0, 22_000.0]
    for other in ("preamp.feedback_ohm", "detector.release_ohm"):
        assert (rows[other] == row[other]).all()


@pytest.mark.parametrize("metric", DEFAULT_METRICS)
def test_the_line_is_the_tables_column_and_the_ring_the_choice(case: Case, ax: Axes, metric: str) -> None:
    assert part_effect(case.choice, case.specification, KEY, metric, ax) is ax
    table, row = case.choice.table, case.choice.row
    expected = [
        float(
            table[
                (table[KEY] == value)
                & (table["preamp.feedback_ohm"] == row["preamp.feedback_ohm"])
                & (table["detector.release_ohm"] == row["detector.release_ohm"])
            ][metric].iloc[0]
        )
        for value in (10_000.0, 22_000.0)
    ]
    assert drawn(ax, metric) == ([10_000.0, 22_000.0], expected)
    assert drawn(ax, "chosen") == ([row[KEY]], [row[metric]])


def test_the_axes_name_part_metric_and_units(case: Case, ax: Axes) -> None:
    part_effect(case.choice, case.specification, KEY, "onset_lag_worst_ms", ax)
    assert ax.get_ylabel() == "worst latency, ms"
    assert ax.get_xlabel() == "R4 (attack), Ω"
    assert [label.get_text() for label in ax.get_xticklabels()] == ["10k", "22k"]
    # Target of the design file: at most 45 ms.
    assert 45.0 in [float(line.get_ydata()[0]) for line in ax.lines if len(set(line.get_ydata())) == 1]


def test_candidates_that_flash_too_much_are_crosses(case: Case, ax: Axes) -> None:
    part_effect(case.choice, case.specification, KEY, "flashes_per_s", ax)
    rows = case.choice.table[along(case.choice, case.specification, KEY)]
    dots = next(line for line in ax.lines if line.get_marker() == "o" and line.get_label() != "chosen")
    crosses = next(line for line in ax.lines if line.get_marker() == "x")
    assert list(dots.get_xdata()) == list(rows[rows["flashes_per_s"] <= 3][KEY]) == [22_000.0]
    assert list(crosses.get_xdata()) == list(rows[rows["flashes_per_s"] > 3][KEY]) == [10_000.0]


def test_all_panels_of_a_row_have_one_height_and_the_target_in_sight(case: Case) -> None:
    keys = swept_keys(case.specification)
    axes = Figure().subplots(len(DEFAULT_METRICS), len(keys), squeeze=False)
    part_effects(case.choice, case.specification, axes)
    for row, limit in zip(axes, (50.0, 3.0, 45.0, 1.5), strict=True):
        assert len({ax.get_ylim() for ax in row}) == 1
        assert row[0].get_ylim()[0] <= limit <= row[0].get_ylim()[1]
    assert [ax.get_xlabel() for ax in axes[-1]] == ["R3 (gain), Ω", "R4 (attack), Ω", "R5 (release), Ω"]
    for ax, head in zip(axes[0], ("R3 = 4k7", "R4 = 22k", "R5 = 470k"), strict=True):
        assert head in [text.get_text() for text in ax.texts]
    assert "at least\n50" in [text.get_text() for text in axes[0, -1].texts]


def test_a_metric_that_no_clip_could_judge_is_said_to_be_so(case: Case) -> None:
    axes = Figure().subplots(1, len(swept_keys(case.specification)), squeeze=False)
    part_effects(case.choice, case.specification, axes, ["false_light_lstar"])
    assert "not judged" in [text.get_text() for text in axes[0, 0].texts]


def test_values_in_words_and_in_numbers_both_find_their_place(case: Case, ax: Axes) -> None:
    table = case.choice.table.assign(
        **{"rectifier.kind": np.where(case.choice.table[KEY] > 15e3, "full", "half")}
    )
    kinds = dataclasses.replace(case.choice, table=table)
    specification = dataclasses.replace(case.specification, ranges={"rectifier.kind": ("half", "full")})
    part_effect(kinds, specification, "rectifier.kind", "ripple_db", ax)
    assert [label.get_text() for label in ax.get_xticklabels()][:2] == ["half", "half"]
