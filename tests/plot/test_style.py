"""Axes in the report's dress."""

from __future__ import annotations

import io

import numpy as np
import pytest
from IPython.core.pylabtools import print_figure
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from PIL import Image

from envlab.analog.parts import series_values
from envlab.plot.export import svg_text
from envlab.plot.palette import PAPER
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


def test_a_sheet_has_its_size_on_paper_and_paper_as_its_ground() -> None:
    fig = sheet(100.0)
    assert tuple(fig.get_size_inches() * 25.4) == pytest.approx((REPORT_WIDTH_MM, 100.0))
    assert to_hex(fig.get_facecolor(), keep_alpha=True) == f"{PAPER}ff"


def test_what_a_notebook_shows_of_a_sheet_can_be_read_on_a_dark_page() -> None:
    """Ink on paper: no pixel lets the page through. The report's SVG has no ground: it follows its page."""
    fig = sheet(30.0)
    dress(fig.subplots(), x="time, s", y="V")
    # As the kernel of a notebook draws a figure.
    shown = Image.open(io.BytesIO(print_figure(fig, fmt="png", facecolor=fig.get_facecolor())))
    pixels = np.asarray(shown.convert("RGBA"))
    assert (pixels[..., 3] == 255).all()
    assert pixels[0, 0, :3].min() > 250
    ground = svg_text(fig, "one").partition('id="patch_1"')[2].partition("</g>")[0]
    assert "fill: none" in ground


def test_axes_keep_only_left_and_lower_frame(ax: Axes) -> None:
    assert dress(ax, x="time, s", y="V") is ax
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("time, s", "V")
    assert [side for side, spine in ax.spines.items() if spine.get_visible()] == ["left", "bottom"]
