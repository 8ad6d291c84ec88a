"""The picture of many boards: bars that add up, limits where they are, causes in order."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from envlab.plot.sweep.tolerance import cause_bars, metric_histogram, tolerance_sheet
from envlab.study.tolerance.result import ToleranceResult
from envlab.study.tolerance.tolerances import Tolerances


def result_of(boards: pd.DataFrame, rows: list[tuple[object, ...]], causes: list[tuple[object, ...]]):
    targets = pd.DataFrame(rows, columns=["metric", "target", "side", "limit", "nominal", "yield_share"])
    table = pd.DataFrame(
        causes,
        columns=["name", "label", "range", "yield_if_exact", "gain", "tighter", "yield_if_tighter"],
    )
    empty = pd.DataFrame()
    return ToleranceResult(
        Tolerances(), (), boards, pd.Series(dtype=float), 0.6, targets, empty, table, empty
    )


@pytest.fixture
def result() -> ToleranceResult:
    rng = np.random.default_rng(3)
    boards = pd.DataFrame(
        {
            "flashes_per_s": np.repeat([2.0, 3.0, 4.0], [50, 30, 20]),
            "beat_contrast_lstar": rng.normal(21, 1, 100),
            "onset_lag_worst_ms": rng.uniform(12, 14, 100),
            "clipped_share": rng.uniform(0.0, 0.08, 100),
            "table_step_lstar": np.full(100, 7.0),
        }
    )
    rows = [
        ("flashes_per_s", "flashes at most 3 1/s", "at_most", 3.0, 3.0, 0.8),
        ("beat_contrast_lstar", "", "at_least", 20.0, 21.0, float((boards.beat_contrast_lstar >= 20).mean())),
        ("onset_lag_worst_ms", "", "at_most", 45.0, 13.0, 1.0),
        ("clipped_share", "", "at_most", 0.05, 0.04, float((boards.clipped_share <= 0.05).mean())),
        ("table_step_lstar", "", "at_most", 8.0, 7.0, 1.0),
    ]
    causes = [
        ("C3_percent", "C3 hold", "±20 %", 0.9, 0.3, "±10 %", 0.75),
        ("microphone_db", "microphone", "±3 dB", 0.7, 0.1, "±1 dB", 0.72),
        ("R1_percent", "R1 input", "±5 %", 0.6, 0.0, "", np.nan),
    ]
    return result_of(boards, rows, causes)


def axes() -> mpl.axes.Axes:
    return Figure().subplots()


def texts(ax: mpl.axes.Axes) -> str:
    return " | ".join(text.get_text() for text in ax.texts)


@pytest.mark.parametrize(
    "metric", ["flashes_per_s", "beat_contrast_lstar", "onset_lag_worst_ms", "clipped_share"]
)
def test_bars_count_every_board_once_and_hatched_ones_miss(result, metric):
    ax = metric_histogram(result, metric, axes())
    bars = [patch for box in ax.containers for patch in box]
    assert sum(bar.get_height() for bar in bars) == pytest.approx(1.0)
    missing = sum(bar.get_height() for bar in bars if bar.get_hatch())
    row = result.targets.set_index("metric").loc[metric]
    assert missing == pytest.approx(1 - row["yield_share"])


def test_a_limit_near_is_a_line_and_one_far_away_an_arrow(result):
    near = metric_histogram(result, "beat_contrast_lstar", axes())
    assert 20.0 in [line.get_xdata()[0] for line in near.lines]
    assert "at least 20 L*" in texts(near)
    assert "→" not in texts(near)
    far = metric_histogram(result, "onset_lag_worst_ms", axes())
    assert "at most 45 ms →" in texts(far)
    assert far.get_xlim()[1] < 20
    assert "design 13" in texts(far)


def test_share_in_per_cent_and_flashes_in_whole_numbers(result):
    assert "at most 5 %" in texts(metric_histogram(result, "clipped_share", axes()))
    flashes = metric_histogram(result, "flashes_per_s", axes())
    widths = {round(bar.get_width(), 9) for box in flashes.containers for bar in box}
    assert widths == {1.0}
    assert "20 % miss it" in texts(flashes)


def test_causes_that_cost_have_a_bar_from_the_yield_as_it_is(result):
    ax = cause_bars(result, axes())
    (bars,) = ax.containers
    assert [round(bar.get_x(), 6) for bar in bars] == [60, 60]
    assert [round(bar.get_width(), 6) for bar in bars] == [30, 10]
    assert [label.get_text() for label in ax.get_yticklabels()] == ["C3 hold  ±20 %", "microphone  ±3 dB"]
    assert "exact 90 %, at ±10 % 75 %" in texts(ax)
    assert ax.get_xlabel() == "% of the boards.   Line: as it is, 60 %   ◆: a class tighter"
    assert max(ax.get_xticks()) <= 100


def test_where_nothing_is_lost_it_says_so(result):
    ax = cause_bars(
        result_of(result.boards, [], [("R1_percent", "R1", "±5 %", 1.0, 0.0, "", np.nan)]), axes()
    )
    assert "No part is to blame" in texts(ax)


def test_the_sheet_shows_what_differs_and_tells_what_does_not(result):
    sheet = tolerance_sheet(result)
    sheet.canvas.draw()
    upper, lower = sheet.subfigs
    drawn = [ax for ax in upper.axes if ax.axison]
    assert len(drawn) == 4
    assert "The same on every board: step of the table 7 L*." in lower.get_supxlabel()
    assert sheet.get_size_inches()[0] * 25.4 == pytest.approx(180)


def test_boards_that_are_all_alike_still_make_a_sheet(result):
    alike = result.boards.iloc[[0] * 5].reset_index(drop=True)
    rows = [tuple(row) for row in result.targets.itertuples(index=False)]
    sheet = tolerance_sheet(result_of(alike, rows, []))
    sheet.canvas.draw()


def test_boards_that_stay_dark_stand_in_the_last_bar_that_misses():
    boards = pd.DataFrame({"range_used_db": [-np.inf] * 30 + list(np.linspace(40, 44, 70))})
    ax = axes()
    metric_histogram(
        result_of(boards, [("range_used_db", "", "at_least", 39.0, 42.0, 0.7)], []), "range_used_db", ax
    )
    bars = [bar for container in ax.containers for bar in container]
    assert sum(bar.get_height() for bar in bars) == pytest.approx(1.0)
    lowest = min((bar for bar in bars if bar.get_height()), key=lambda bar: bar.get_x())
    assert lowest.get_height() == pytest.approx(0.3)
    assert lowest.get_hatch()
