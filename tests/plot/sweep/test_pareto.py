"""The scatter of what cannot be had together: points, front, choice, letters and their parts."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from reference.small_specification import Case

from envlab.plot.palette import metric_colour
from envlab.plot.sweep.pareto import (
    ACROSS,
    letter_picks,
    pareto_scatter,
    pareto_sheet,
    parts_words,
    pick_list,
    picks_of,
    safe_front,
)
from envlab.study.sweep.choice import Choice

FOUR = {"beat_contrast_lstar": -1, "onset_lag_worst_ms": 1, "frame_shimmer_lstar": 1, "supply_mean_a": 1}


def points(ax: Axes, label: str) -> set[tuple[float, float]]:
    line = next(one for one in ax.lines if one.get_label() == label)
    return set(zip(map(float, line.get_xdata()), map(float, line.get_ydata()), strict=True))


def rows_at(choice: Choice, rows: np.ndarray | list[int], metric: str) -> set[tuple[float, float]]:
    table = choice.table.iloc[rows]
    return set(zip(table[metric].astype(float), table["beat_contrast_lstar"].astype(float), strict=True))


def unbeaten(choice: Choice) -> list[int]:
    """Candidates within the flash limit that no other such candidate beats, pair by pair."""
    table = choice.table
    cost = {row: [sign * table[f].iloc[row] for f, sign in FOUR.items()] for row in range(len(table))}
    safe = [row for row in cost if table["flashes_per_s"].iloc[row] <= 3]
    return [
        row
        for row in safe
        if not any(
            all(a <= b for a, b in zip(cost[other], cost[row], strict=True)) and cost[other] != cost[row]
            for other in safe
        )
    ]


def test_the_front_is_of_those_that_keep_the_flash_limit(case: Case) -> None:
    expected = unbeaten(case.choice)
    assert 0 < len(expected) < len(case.choice.table)
    assert list(np.flatnonzero(safe_front(case.choice))) == expected


@pytest.mark.parametrize("metric", ACROSS)
def test_every_candidate_is_a_point_of_its_kind(case: Case, ax: Axes, metric: str) -> None:
    assert pareto_scatter(case.choice, case.specification, ax, metric) is ax
    table = case.choice.table
    safe = (table["flashes_per_s"] <= 3).to_numpy()
    meets = safe & (table["violation"] == 0).to_numpy()
    front = np.isin(np.arange(len(table)), unbeaten(case.choice))
    for label, group in (
        ("flashes more", ~safe),
        ("misses a target", safe & ~front & ~meets),
        ("on the front", front & ~meets),
        ("meets every target", meets),
        ("chosen", np.arange(len(table)) == case.choice.number),
    ):
        assert points(ax, label) == rows_at(case.choice, np.flatnonzero(group), metric), label
    face = next(one for one in ax.lines if one.get_label() == "on the front").get_markerfacecolor()
    assert face == metric_colour(metric)


def test_axes_name_metrics_units_and_the_better_side(case: Case) -> None:
    labels = []
    for metric in ACROSS:
        ax = Figure().subplots()
        pareto_scatter(case.choice, case.specification, ax, metric)
        labels.append(ax.get_xlabel())
        assert ax.get_ylabel() == "contrast, L*: more is better"
    assert labels == [
        "worst latency, ms: less is better",
        "ripple aliasing, L*: less is better",
        "mean current, A: less is better",
    ]


def test_targets_are_dashed_and_the_side_that_misses_is_shaded(case: Case, ax: Axes) -> None:
    pareto_scatter(case.choice, case.specification, ax, "onset_lag_worst_ms")
    # Targets of the design file: at most 45 ms, at least 50 L*.
    assert any(set(line.get_xdata()) == {45.0} for line in ax.lines)
    assert any(set(line.get_ydata()) == {50.0} for line in ax.lines)
    spans = [patch.get_extents().transformed(ax.transData.inverted()) for patch in ax.patches]
    left, right = ax.get_xlim()
    bottom, _ = ax.get_ylim()
    assert any((span.x0, span.x1) == pytest.approx((45.0, right)) for span in spans)
    assert any((span.y0, span.y1) == pytest.approx((bottom, 50.0)) for span in spans)
    assert left < 45.0 < right


def test_what_lies_beyond_is_counted(case: Case, ax: Axes) -> None:
    table = case.choice.table.copy()
    unsafe = np.flatnonzero(~table["flash_safe"].to_numpy(bool))
    assert unsafe.size > 1
    table.iloc[unsafe, table.columns.get_loc("supply_mean_a")] = 50.0
    choice = dataclasses.replace(case.choice, table=table)
    pareto_scatter(choice, case.specification, ax, "supply_mean_a")
    assert ax.get_xlim()[1] < 50.0
    assert f"{unsafe.size} more →" in [text.get_text() for text in ax.texts]


def test_letters_stand_for_the_best_of_the_front_in_each_metric(case: Case) -> None:
    table, rows = case.choice.table, unbeaten(case.choice)
    found = {words: pick.row for pick in picks_of(case.choice) for words in pick.words.split(" and ")}
    assert set(found) == {
        "most contrast",
        "least worst latency",
        "least ripple aliasing",
        "least mean current",
    }
    for words, metric in zip(
        ("most contrast", "least worst latency", "least ripple aliasing", "least mean current"),
        FOUR,
        strict=True,
    ):
        column = FOUR[metric] * table[metric]
        assert column.iloc[found[words]] == column.iloc[rows].min()
        same = [row for row in rows if column.iloc[row] == column.iloc[rows].min()]
        assert table["rank"].iloc[found[words]] == table["rank"].iloc[same].min()
    letters = [pick.letter for pick in picks_of(case.choice)]
    assert letters == list("ABCD")[: len(letters)]
    assert len({pick.row for pick in picks_of(case.choice)}) == len(letters)


def test_letters_point_at_their_candidates(case: Case, ax: Axes) -> None:
    pareto_scatter(case.choice, case.specification, ax, "supply_mean_a")
    before = len(ax.texts)
    letter_picks(case.choice, ax, "supply_mean_a")
    written = {text.get_text(): text.xy for text in ax.texts[before:]}
    for pick in picks_of(case.choice):
        row = case.choice.table.iloc[pick.row]
        assert written[pick.letter] == (row["supply_mean_a"], row["beat_contrast_lstar"])
    assert len(written) == len(picks_of(case.choice))


def test_the_list_names_the_parts(case: Case, ax: Axes) -> None:
    assert parts_words(case.choice, case.specification, case.choice.number) == "R3 = 4k7, R4 = 22k, R5 = 470k"
    pick_list(case.choice, case.specification, ax)
    written = [text.get_text() for text in ax.texts]
    assert written[:3] == ["○", "chosen", "R3 = 4k7, R4 = 22k, R5 = 470k"]
    for pick in picks_of(case.choice):
        at = written.index(pick.letter)
        assert written[at + 1 : at + 3] == [
            pick.words,
            parts_words(case.choice, case.specification, pick.row),
        ]


def test_without_a_beat_there_is_nothing_to_judge(case: Case, ax: Axes) -> None:
    table = case.choice.table.assign(beat_contrast_lstar=np.nan)
    silent = dataclasses.replace(case.choice, table=table)
    pareto_scatter(silent, case.specification, ax, "supply_mean_a")
    assert "not judged" in [text.get_text() for text in ax.texts]
    assert picks_of(silent) == ()


def test_the_sheet_has_three_panels_and_the_list(case: Case) -> None:
    page = pareto_sheet(case.choice, case.specification)
    heads = [text.get_text() for ax in page.axes for text in ax.texts if text.get_fontweight() == "bold"]
    assert [head for head in heads if len(head) > 1] == [
        "Contrast against worst latency",
        "Contrast against ripple aliasing",
        "Contrast against mean current",
        "Ends of the front",
    ]
    for ax, metric in zip(page.axes, ACROSS, strict=False):
        assert points(ax, "chosen") == rows_at(case.choice, [case.choice.number], metric)
    clouds = [
        line for ax in page.axes for line in ax.lines if isinstance(line, Line2D) and line.get_rasterized()
    ]
    assert len(clouds) == 6  # a report with thousands of candidates stays light
    assert len(list(itertools.chain(*(ax.lines for ax in page.axes)))) > len(clouds)
