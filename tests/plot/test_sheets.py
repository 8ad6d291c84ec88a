"""Whole pictures at report size: every word is large enough, whole, and clear of other words."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from collections.abc import Callable

import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox
from reference.small_specification import Case

from envlab.light.power.battery import Pack
from envlab.light.power.wiring import Wiring, wire_drop
from envlab.metrics.latency_budget import board_latency
from envlab.plot import sheets
from envlab.plot.sweep import clip_multiples, map_sheets, pareto
from envlab.plot.sweep.overview import HEIGHT_MM, WIDTH_MM, overview_figure
from envlab.plot.table import table_sheets

SHEETS: dict[str, Callable[[Case], Figure]] = {
    "voltages": lambda c: sheets.voltages_sheet(c.scene, c.choice.chain),
    "effects": lambda c: sheets.effects_sheet(c.choice, c.specification),
    "map": lambda c: sheets.map_sheet(c.choice, c.specification),
    "maps": lambda c: map_sheets.maps_sheet(c.choice, c.specification),
    "pareto": lambda c: pareto.pareto_sheet(c.choice, c.specification),
    "clips": lambda c: clip_multiples.clips_sheet(c.choice, c.specification),
    "table": lambda c: sheets.table_sheet(c.choice.chain, c.lights),
    "strips": lambda c: sheets.strips_sheet(c.lights),
    "current": lambda c: sheets.current_sheet(c.lights[0], c.choice.chain),
    "flashes": lambda c: sheets.flash_sheet(c.lights[0], 3.0),
    "curve": lambda c: table_sheets.curve_sheet(c.choice.chain, c.lights),
    "steps": lambda c: table_sheets.steps_sheet(c.choice.chain, largest_lstar=8.0),
    "along": lambda c: table_sheets.along_sheet(c.lights[0], c.choice.chain, 3.0),
    "latency": lambda c: table_sheets.latency_sheet(board_latency(c.choice.chain, 92.0)),
    "pixels": lambda c: table_sheets.pixels_sheet(c.choice.chain),
    "pack": lambda c: table_sheets.pack_sheet(
        c.lights[0], c.choice.chain, Pack(), [("one end", wire_drop([0.1] * 24, Wiring(0.04, 0.08), 5.0))]
    ),
    "overview": lambda c: overview_figure(c.specification, c.choice),
}
REPORT_MM = 180.0


@pytest.fixture(scope="module", params=SHEETS)
def sheet(request: pytest.FixtureRequest, case: Case) -> Figure:
    fig = SHEETS[request.param](case)
    FigureCanvasAgg(fig).draw()
    return fig


def words(fig: Figure) -> list[tuple[Text, Bbox]]:
    """Every word that shows, with the place that its letters take."""
    renderer = fig.canvas.get_renderer()  # type: ignore[attr-defined]
    found = fig.findobj(lambda one: isinstance(one, Text) and one.get_visible() and one.get_text().strip())
    hidden = {id(label) for ax in fig.findobj(Axes) for label in _labels_out_of_sight(ax)}
    return [(text, text.get_window_extent(renderer)) for text in found if id(text) not in hidden]


def _labels_out_of_sight(ax: Axes) -> list[Text]:
    """Labels of ticks beyond the axes' ends, which are kept but not drawn."""
    out = []
    for axis, limits in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim())):
        low, high = sorted(limits)
        slack = 1e-6 * (high - low)
        for tick in (*axis.get_major_ticks(), *axis.get_minor_ticks()):
            if not low - slack <= tick.get_loc() <= high + slack:
                out += [tick.label1, tick.label2]
    return out


def test_no_word_is_smaller_than_8_points(sheet: Figure) -> None:
    assert min(text.get_fontsize() for text, _ in words(sheet)) >= 8.0


def test_no_word_is_cut_off_at_the_edge(sheet: Figure) -> None:
    width, height = sheet.bbox.width, sheet.bbox.height
    for text, place in words(sheet):
        assert place.x0 >= -1, text.get_text()
        assert place.y0 >= -1, text.get_text()
        assert place.x1 <= width + 1, text.get_text()
        assert place.y1 <= height + 1, text.get_text()


def test_no_two_words_lie_on_each_other(sheet: Figure) -> None:
    for (one, place), (other, there) in itertools.combinations(words(sheet), 2):
        across = min(place.x1, there.x1) - max(place.x0, there.x0)
        along = min(place.y1, there.y1) - max(place.y0, there.y0)
        assert across < 2 or along < 2, (one.get_text(), other.get_text())


@pytest.mark.parametrize("name", [name for name in SHEETS if name != "overview"])
def test_sheets_are_as_wide_as_the_reports_column(case: Case, name: str) -> None:
    assert SHEETS[name](case).get_figwidth() * 25.4 == pytest.approx(REPORT_MM)


def test_the_overview_shows_sound_voltage_light_and_map(case: Case) -> None:
    fig = overview_figure(case.specification, case.choice)
    axes = fig.findobj(Axes)
    heads = {text.get_text() for ax in axes for text in ax.texts}
    assert {
        "The sound at the microphone",
        "The voltage that follows it",
        "The light that is worn",
        "R3 = 4k7, R4 = 22k, C3 = 220n, R5 = 470k",
    } <= heads
    assert {"Pa", "V", "Rr·C, ms  (release: R5 × C3)"} <= {ax.get_ylabel() for ax in axes}
    assert any(ax.images for ax in axes)
    assert tuple(fig.get_size_inches() * 25.4) == pytest.approx((WIDTH_MM, HEIGHT_MM))
    assert fig.get_facecolor() == (1.0, 1.0, 1.0, 1.0)


def test_the_stroke_is_shaded_where_it_is(case: Case) -> None:
    fig = SHEETS["voltages"](case)
    shaded = fig.axes[0].patches[0]
    moved_s = case.scene.from_s - case.scene.span_s[0]
    assert shaded.get_x() == pytest.approx(case.scene.stroke_s[0] + moved_s)
    assert shaded.get_width() == pytest.approx(case.scene.stroke_s[1] - case.scene.stroke_s[0])


def test_drawing_needs_no_window_and_no_global_state() -> None:
    code = "import sys, envlab, envlab.plot; assert 'matplotlib' not in sys.modules; "
    code += "import envlab.plot.sweep.overview; assert 'matplotlib.pyplot' not in sys.modules"
    env = {**os.environ, "PYTHONWARNINGS": "error"}
    subprocess.run([sys.executable, "-c", code], check=True, env=env)
