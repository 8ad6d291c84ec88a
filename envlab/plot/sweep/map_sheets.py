"""Several metrics of a sweep over both time constants, on one sheet."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from envlab.metrics.catalogue import FLASH_METRIC, METRICS, Better
from envlab.plot.palette import SOFT, metric_colour
from envlab.plot.style import SMALL_PT, heading, sheet
from envlab.plot.sweep.better_direction import better_side
from envlab.plot.sweep.time_map import time_constant_map
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import Choice

MAPPED = (
    "beat_contrast_lstar",
    FLASH_METRIC,
    "onset_lag_worst_ms",
    "frame_shimmer_lstar",
    "ripple_db",
    "supply_mean_a",
)
COLUMNS = 2
_PANEL_MM = 58.0
_SIDE_WORDS: dict[Better, str] = {"high": ": more is better", "low": ": less is better", "neither": ""}


def maps_sheet(choice: Choice, specification: Specification, metrics: Sequence[str] = MAPPED) -> Figure:
    """Return maps of several metrics, keys of metrics.catalogue.METRICS, at least one, at the chosen gain.

    Raises ValueError if the sweep does not move both time constants.

    Parameters
    ----------
    choice : Choice
        What a sweep chose.
    specification : Specification
        What is asked.
    metrics : sequence of str
        Names of metrics, columns of the sweep.

    Returns
    -------
    matplotlib Figure
    """
    rows = -(-len(metrics) // COLUMNS)
    page = sheet(_PANEL_MM * rows + 12)
    axes = page.subplots(rows, COLUMNS, sharex=True, sharey=True, squeeze=False)
    for ax, metric in zip(axes.flat, metrics, strict=False):
        time_constant_map(choice, specification, ax, metric, named=False)
        words = METRICS[metric].axis.partition(",")[0]
        side = _SIDE_WORDS[better_side(metric, specification.targets)]
        heading(ax, f"{words[0].upper()}{words[1:]}{side}", metric_colour(metric))
        ax.label_outer()
    for ax in axes.flat[len(metrics) :]:
        ax.set_visible(False)
    page.suptitle(
        "○ chosen    ● meets every target    solid: keeps the flash limit    dashed: edge of its own target"
        "    bright is better",
        fontsize=SMALL_PT,
        color=SOFT,
    )
    return page
