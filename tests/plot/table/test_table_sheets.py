"""Whole pictures of the export: each axis says its unit, each panel shows the data that it was given."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from reference.small_specification import Case

from envlab.light.power.battery import Pack, supply_power_w
from envlab.light.power.wiring import Wiring, wire_drop
from envlab.light.timing import LatencyBudget, LatencyPart
from envlab.plot.table import table_sheets


def labels(fig: Figure) -> list[tuple[str, str]]:
    return [(ax.get_xlabel(), ax.get_ylabel()) for ax in fig.axes]


def line(ax: Axes, label: str) -> np.ndarray:
    found = next(one for one in ax.lines if one.get_label() == label)
    return np.asarray(found.get_ydata(), dtype=float)


def upright(ax: Axes) -> list[float]:
    return [float(one.get_xdata()[0]) for one in ax.lines if len(set(map(float, one.get_xdata()))) == 1]


def heads(fig: Figure) -> str:
    return " ".join(text.get_text() for ax in fig.axes for text in ax.texts)


def test_the_curve_stands_over_the_clips_on_one_axis_of_level(case: Case) -> None:
    fig = table_sheets.curve_sheet(case.choice.chain, case.lights)
    light, duty, clips = fig.axes[:3]
    assert (light.get_ylabel(), duty.get_ylabel()) == ("lightness seen, L*", "duty")
    assert clips.get_xlabel() == "level of a steady 1 kHz tone, dB SPL"
    assert light.get_xlim() == duty.get_xlim() == clips.get_xlim()
    asked = case.choice.chain.brightness
    for ax in (light, duty, clips):
        assert {asked.floor_db_spl, asked.ceiling_db_spl} <= set(upright(ax))
    assert [label.get_text() for label in clips.get_yticklabels()] == ["drums 92 dB", "voices 72 dB"]


def test_steps_and_their_axis(case: Case) -> None:
    fig = table_sheets.steps_sheet(case.choice.chain)
    assert labels(fig) == [("level of a steady 1 kHz tone, dB SPL", "step to the next count, L*")]
    assert line(fig.axes[0], "steps").sum() == pytest.approx(100.0)


def test_along_a_clip_current_light_and_flashes_share_the_time(case: Case) -> None:
    light = case.lights[0]
    fig = table_sheets.along_sheet(light, case.choice.chain, 3.0)
    assert labels(fig) == [("", "supply current, A"), ("", "Y / Y full"), ("time, s", "flashes in 1 s")]
    current, luminance, flashes = fig.axes
    assert np.array_equal(line(current, "current")[:-1], light.current_a)
    assert np.array_equal(line(luminance, "light")[:-1], light.relative_luminance)
    assert np.array_equal(line(flashes, "flashes")[:-1], light.flashes.per_second)
    assert current.get_xlim() == luminance.get_xlim() == flashes.get_xlim()
    assert "drums 92 dB" in heads(fig)


def test_latency_is_in_milliseconds() -> None:
    budget = LatencyBudget((LatencyPart("detector", 0.006, 0.010), LatencyPart("waiting", 0.005, 0.020)))
    (ax,) = table_sheets.latency_sheet(budget).axes
    assert ax.get_xlabel() == "light after drum at the wearer, ms"
    assert ax.get_xlim()[1] >= 30.0


def test_lit_pixels_go_up_to_all_of_them_at_the_cap(case: Case) -> None:
    chain = case.choice.chain
    (ax,) = table_sheets.pixels_sheet(chain).axes
    assert ax.get_ylabel() == "supply current, A"
    assert ax.get_xlabel() == "pixels lit at the table's top, the others dark"
    # What is planned with of the limit: a tenth stays free where a design file says nothing.
    assert line(ax, "limited")[-1] == pytest.approx(0.9 * chain.supply.limit_a, rel=1e-3)
    # 24 pixels of 3 × 150 mA, and 24 mA idle; the controller's usual 20 mA.
    assert line(ax, "unlimited")[-1] == pytest.approx(10.824 + 0.020)


def test_the_pack_is_asked_for_the_clips_mean_current(case: Case) -> None:
    light, chain = case.lights[0], case.choice.chain
    drop = wire_drop([0.1] * 24, Wiring(0.04, 0.08), 5.0)
    fig = table_sheets.pack_sheet(light, chain, Pack(), [("one end", drop)])
    hours, volts = fig.axes
    assert (hours.get_xlabel(), hours.get_ylabel()) == ("temperature of the cells, °C", "hours")
    assert (volts.get_xlabel(), volts.get_ylabel()) == ("pixel along the wire", "volts there")
    mean_a = float(light.current_a.mean())
    assert f"Hours at {mean_a:.2f} A on average" in heads(fig)
    # Warm, the pack gives all of its 17.28 Wh (3 Ah × 2 × 3.6 V × 0.8).
    assert line(hours, "hours")[-1] == pytest.approx(17.28 / supply_power_w(mean_a, chain.supply))
    assert np.array_equal(line(volts, "one end"), drop.pixel_v)
