"""The sheet of maps: which metrics, what is said of each."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.collections import QuadMesh
from reference.small_specification import Case

from envlab.metrics.catalogue import METRICS
from envlab.plot.palette import metric_colour
from envlab.plot.sweep.map_sheets import MAPPED, maps_sheet


def test_every_map_is_headed_in_its_colour_with_the_side_that_is_better(case: Case) -> None:
    page = maps_sheet(case.choice, case.specification)
    panels = [ax for ax in page.axes if any(isinstance(one, QuadMesh) for one in ax.collections)][
        : len(MAPPED)
    ]
    heads = [next(text for text in ax.texts if text.get_fontweight() == "bold") for ax in panels]
    assert [head.get_text() for head in heads] == [
        "Contrast: more is better",
        "Flashes in 1 s: less is better",
        "Worst latency: less is better",
        "Ripple aliasing: less is better",
        "Ripple: less is better",
        "Mean current: less is better",
    ]
    assert [head.get_color() for head in heads] == [metric_colour(metric) for metric in MAPPED]
    assert "solid: keeps the flash limit" in page.get_suptitle()


def test_values_of_every_map_are_the_tables(case: Case) -> None:
    some = ("release_ms", "settled_ratio", "supply_peak_a")
    page = maps_sheet(case.choice, case.specification, some)
    table = case.choice.table
    at_gain = table[table["preamp.feedback_ohm"] == case.choice.row["preamp.feedback_ohm"]]
    for ax, metric in zip(page.axes, some, strict=False):
        mesh = next(one for one in ax.collections if isinstance(one, QuadMesh))
        assert sorted(np.ma.compressed(np.ma.masked_invalid(mesh.get_array()))) == pytest.approx(
            sorted(at_gain[metric])
        )


def test_there_is_a_map_for_each_metric(case: Case) -> None:
    page = maps_sheet(case.choice, case.specification, tuple(METRICS))
    heads = [text.get_text() for ax in page.axes for text in ax.texts if text.get_fontweight() == "bold"]
    assert len(heads) == len(METRICS)
