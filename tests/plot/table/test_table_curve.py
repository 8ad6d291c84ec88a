"""The table's curve: its entries at their level, floor and ceiling where they were asked, clips below."""

from __future__ import annotations

import math

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from reference.small_specification import Case

from envlab.plot.table.table_curve import clip_levels, envelope_span_db, table_curve


@pytest.fixture
def drawn(case: Case) -> list[Axes]:
    axes = list(Figure().subplots(2, 1, sharex=True))
    chain = case.choice.chain
    table_curve(chain.brightness_table(), chain.level_scale(), axes)
    return axes


def test_lightness_and_duty_are_those_of_every_entry(drawn: list[Axes], case: Case) -> None:
    table = case.choice.chain.brightness_table()
    light, duty = (next(line for line in ax.lines if not line.get_label().startswith("_")) for ax in drawn)
    assert np.array_equal(duty.get_ydata(), table.duty_codes[1:] / 65_535)
    # CIE 1976 L* of Y/Y_max, ISO/CIE 11664-4.
    y = table.duty_codes[1:] / table.duty_codes.max()
    lstar = np.where(y > 216 / 24389, 116 * np.cbrt(y) - 16, 24389 / 27 * y)
    assert np.allclose(light.get_ydata(), lstar)
    # One count more than another by 20 lg of their ratio.
    x = np.asarray(light.get_xdata(), dtype=float)
    assert x[9] - x[0] == pytest.approx(20.0)
    assert x[99] - x[9] == pytest.approx(20.0)


def test_floor_and_ceiling_stand_where_the_design_asks(drawn: list[Axes], case: Case) -> None:
    asked = case.choice.chain.brightness
    for ax in drawn:
        upright = [float(line.get_xdata()[0]) for line in ax.lines if len(line.get_xdata()) == 2]
        assert upright == pytest.approx([asked.floor_db_spl, asked.ceiling_db_spl])
    words = " ".join(text.get_text() for text in drawn[0].texts)
    assert f"floor\n{asked.floor_db_spl:g} dB" in words
    assert f"ceiling\n{asked.ceiling_db_spl:g} dB" in words
    assert f"duty limit {case.choice.chain.duty_limit:.3f}" in [text.get_text() for text in drawn[1].texts]


def test_axes_have_units_and_counts_above(drawn: list[Axes], case: Case) -> None:
    assert drawn[0].get_ylabel() == "lightness seen, L*"
    assert drawn[1].get_ylabel() == "duty"
    assert drawn[1].get_xlabel() == "level of a steady 1 kHz tone, dB SPL"
    above = drawn[0].figure.axes[-1]
    assert above.get_xlabel() == "envelope, counts above quiescent"
    scale = case.choice.chain.level_scale()
    for tick, label in zip(above.get_xticks(), above.get_xticklabels(), strict=True):
        assert tick == pytest.approx(scale.level_db_spl(float(label.get_text())))


def test_each_clip_has_its_level_and_the_span_of_its_envelope(case: Case, ax: Axes) -> None:
    scale = case.choice.chain.level_scale()
    ax.set_xlim(40, 115)
    clip_levels(case.lights, scale, ax)
    assert [label.get_text() for label in ax.get_yticklabels()] == ["drums 92 dB", "voices 72 dB"]
    assert ax.get_xlabel() == "level, dB SPL"
    diamonds = [line for line in ax.lines if line.get_label() == "level"]
    assert [float(line.get_xdata()[0]) for line in diamonds] == [92.0, 72.0]
    bars = [line for line in ax.lines if line.get_label() == "envelope"]
    for bar, light in zip(bars, case.lights, strict=True):
        # 90 % of the frames lie between the bar's ends; one count is 0 dB re one count.
        low, high = np.percentile(light.envelope_counts, (5, 95))
        ends = [20 * math.log10(max(c, 1.0) / scale.reference_counts) + 94.0 for c in (low, high)]
        assert list(bar.get_xdata()) == pytest.approx(ends)


def test_a_clip_without_counts_has_no_level(case: Case) -> None:
    light = case.lights[0]
    silent = type(light)(**{**vars(light), "envelope_counts": np.zeros(100)})
    assert envelope_span_db(silent, case.choice.chain.level_scale()) == (-math.inf, -math.inf)
