"""Axes in the report's dress."""

from __future__ import annotations

import pytest
from matplotlib.axes import Axes

from envlab.analog.parts import series_values
from envlab.plot.style import REPORT_WIDTH_MM, dress, part_ticks, sheet


def test_every_part_value_is_a_tick_and_few_carry_words(ax: Axes) -> None:
    values = series_values("E6", 470, 33e3)
    part_ticks(ax, values, "ohm", most=4)
    ax.set_xlim(400, 40e3)
    named = {
        label.get_text(): tick for label, tick in zip(ax.get_xticklabels(), ax.get_xticks(), strict=True)
    }
    assert named == {"470R": 470.0, "1k5": 1500.0, "4k7": 4700.0, "15k": 15_000.0}
    assert sorted([*ax.get_xticks(), *ax.get_xticks(minor=True)]) == sorted(values)
    assert ax.get_xscale() == "log"


def test_a_sheet_has_its_size_on_paper_and_no_ground() -> None:
    fig = sheet(100.0)
    assert tuple(fig.get_size_inches() * 25.4) == pytest.approx((REPORT_WIDTH_MM, 100.0))
    assert fig.get_facecolor()[3] == 0.0


def test_axes_keep_only_left_and_lower_frame(ax: Axes) -> None:
    assert dress(ax, x="time, s", y="V") is ax
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("time, s", "V")
    assert [side for side, spine in ax.spines.items() if spine.get_visible()] == ["left", "bottom"]
