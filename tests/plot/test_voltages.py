"""Chain voltages: five panels with their units, and in them the very signals of the result."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from reference.small_specification import Case

from envlab.plot.voltages import ROWS, chain_voltages, stroke_voltages


@pytest.fixture
def drawn(case: Case) -> list[Axes]:
    axes = list(Figure().subplots(ROWS, 1))
    returned = chain_voltages(case.scene.result, case.choice.chain, axes, case.scene.span_s, offset_s=10.0)
    assert returned is axes
    return axes


def line(ax: Axes, label: str) -> tuple[np.ndarray, np.ndarray]:
    found = next(one for one in ax.lines if one.get_label() == label)
    return np.asarray(found.get_xdata(), dtype=float), np.asarray(found.get_ydata(), dtype=float)


def band(ax: Axes, label: str) -> np.ndarray:
    found = next(c for c in ax.collections if isinstance(c, PolyCollection) and c.get_label() == label)
    return np.asarray(found.get_paths()[0].vertices)


def test_each_panel_names_its_unit(drawn: list[Axes]) -> None:
    assert [ax.get_ylabel() for ax in drawn] == ["Pa", "V", "V", "counts", "L*"]
    assert drawn[-1].get_xlabel() == "time, s"


@pytest.mark.parametrize(
    ("row", "label", "node"),
    [(0, "pressure", "pressure_pa"), (1, "preamp", "preamp_v"), (2, "rectified", "rectified_v")],
)
def test_bands_reach_the_highest_and_lowest_sample(
    drawn: list[Axes], case: Case, row: int, label: str, node: str
) -> None:
    rate_hz = case.scene.result.internal_rate_hz
    first, last = (round(t * rate_hz) for t in case.scene.span_s)
    signal = getattr(case.scene.result, node)[first : last + 1]
    corners = band(drawn[row], label)
    assert corners[:, 1].max() == signal.max()
    assert corners[:, 1].min() == signal.min()
    peak_s = corners[np.argmax(corners[:, 1]), 0] - 10.0
    assert peak_s == pytest.approx((first + np.argmax(signal)) / rate_hz, abs=0.005)


def test_the_detectors_line_is_the_held_voltage(drawn: list[Axes], case: Case) -> None:
    x, y = line(drawn[2], "detector")
    result = case.scene.result
    at_s = (np.arange(result.detector_v.size) + 0.5) / result.internal_rate_hz
    half_s = (x[1] - x[0]) / 2
    for middle_s, height_v in zip(x - 10.0, y, strict=True):
        reach = np.searchsorted(at_s, (middle_s - 1.01 * half_s, middle_s + 1.01 * half_s))
        near = result.detector_v[slice(*reach)]
        assert near.min() <= height_v <= near.max()


@pytest.mark.parametrize(("row", "label"), [(3, "counts"), (4, "light")])
def test_steps_are_the_values_themselves_at_their_instants(
    drawn: list[Axes], case: Case, row: int, label: str
) -> None:
    result, (start_s, end_s) = case.scene.result, case.scene.span_s
    values, rate_hz = {
        "counts": (result.adc_counts, result.adc_rate_hz),
        "light": (result.lightness, result.frame_rate_hz),
    }[label]
    x, y = line(drawn[row], label)
    shown = slice(round(start_s * rate_hz), round(end_s * rate_hz) + 1)
    assert np.array_equal(y[:-1], values[shown])
    assert np.allclose(x[:-1] - 10.0, np.arange(len(values))[shown] / rate_hz)


def test_full_light_is_marked_where_the_table_becomes_full(drawn: list[Axes], case: Case) -> None:
    ceiling = case.choice.chain.quiescent_counts + case.scene.result.table.count_map.ceiling_counts
    heights = [np.atleast_1d(one.get_ydata())[0] for one in drawn[3].lines]
    words = " ".join(text.get_text() for text in drawn[3].texts)
    assert ceiling in heights or f"full light from {ceiling:.0f}" in words
    assert "1023" in words


def test_the_clipping_limits_are_said_or_drawn(drawn: list[Axes], case: Case) -> None:
    up = case.choice.chain.preamp.swing_up_v
    words = " ".join(text.get_text() for text in drawn[1].texts)
    heights = [np.atleast_1d(one.get_ydata())[0] for one in drawn[1].lines]
    assert f"clips at +{up:.2f} V" in words or up in heights
    assert "gain 5.7" in words


def test_one_stroke_is_drawn_in_milliseconds_from_its_start(case: Case) -> None:
    axes = stroke_voltages(case.scene.result, list(Figure().subplots(ROWS, 1)), case.scene.stroke_s)
    assert axes[-1].get_xlabel() == "time, ms"
    assert axes[0].get_xlim() == pytest.approx((0.0, 120.0))
