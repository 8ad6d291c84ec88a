"""A board measured over simulated, and its fitted numbers on the bands of their tolerances."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from envlab.bench.captures.capture import Capture
from envlab.bench.check import BoardCheck
from envlab.bench.fit.fit import FittedBoard
from envlab.bench.fit.intervals import Interval
from envlab.bench.fit.values import BoardValues, file_times, ratio_db
from envlab.bench.words import SAID
from envlab.errors import EnvlabError
from envlab.plot.palette import INK, SHADE, SOFT, colour
from envlab.plot.style import LINE_PT, SMALL_PT, beside_heading, dress, heading, sheet

# Beyond so many half bands a mark stands at the edge, as an arrow.
_EDGE = 3.0
# Room for the numbers in words.
_RIGHT = 8.5
_ROWS = ("gain", "attack_s", "release_s", "offset_lsb", "drop_v")


def board_sheet(capture: Capture, check: BoardCheck) -> Figure:
    """Return a capture over the fitted board's simulation, the residual, and the fitted numbers.

    Parameters
    ----------
    capture : Capture
        What was captured.
    check : BoardCheck
        What the check made of it, with a fitted board.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    EnvlabError
        If nothing could be fitted.
    """
    fitted = check.fitted
    if fitted is None:
        raise EnvlabError("nothing was fitted to this capture, so there is nothing to draw over it")
    fig = sheet(150)
    upper, middle, lower = fig.subplots(3, 1, height_ratios=(3, 1.3, 2))
    middle.sharex(upper)
    _traces(upper, middle, capture, fitted)
    _parts(lower, fitted, check.healthy)
    return fig


def _traces(upper: Axes, lower: Axes, capture: Capture, fitted: FittedBoard) -> None:
    times_s, unit = file_times(capture.time_s, fitted.values), capture.unit
    upper.plot(times_s, capture.values, color=colour("counts"), linewidth=LINE_PT)
    upper.plot(times_s, capture.values - fitted.residual, color=INK, linewidth=0.8, linestyle=(0, (3, 1.5)))
    dress(upper, y=unit)
    heading(upper, "Measured", colour("counts"))
    beside_heading(upper, "dashed: fitted board, simulated; the sweep is not fitted", INK)
    upper.tick_params(labelbottom=False)
    lower.plot(times_s, fitted.residual, color=colour("counts"), linewidth=0.5)
    dress(lower, x="time in the bench signal, s", y=unit)
    heading(lower, "Measured less simulated", colour("counts"))
    beside_heading(lower, f"rms {fitted.rms:.3g} {unit}")
    span = float(np.nanpercentile(np.abs(fitted.residual), 99.9))
    lower.set_ylim(-1.3 * span, 1.3 * span)


def _parts(ax: Axes, fitted: FittedBoard, healthy: Sequence[BoardValues]) -> None:
    """One row a number, its band from −1 to 1."""
    names = [name for name in _ROWS if name in fitted.intervals]
    for row, name in enumerate(names):
        band = [getattr(one, name) for one in healthy]
        low, high = min(band), max(band)
        middle, half = (low + high) / 2, max((high - low) / 2, 1e-12)
        found = fitted.intervals[name]
        inside = low <= found.value <= high
        ax.barh(row, 2, left=-1, height=0.62, color=SHADE, edgecolor=SOFT, linewidth=0.6)
        ends = np.clip([(v - middle) / half for v in (found.low, found.high)], -_EDGE, _EDGE)
        at = float(np.clip((found.value - middle) / half, -_EDGE, _EDGE))
        ink = colour("counts") if inside else colour("detector")
        ax.plot(ends, [row, row], color=ink, linewidth=3.0, solid_capstyle="butt")
        beyond = abs(at) >= _EDGE
        marker = (">" if at > 0 else "<") if beyond else ("o" if inside else "D")
        ax.plot([at], [row], marker=marker, color=ink, markersize=5, linestyle="none")
        ax.text(_EDGE + 0.3, row, _said(name, found, inside), fontsize=SMALL_PT, color=ink, va="center")
    dress(ax, x="ends of the tolerances at −1 and 1", grid="x")
    ax.set_xticks([-3, -2, -1, 0, 1, 2, 3])
    ax.set_yticks(range(len(names)), [SAID[name][0].split(",")[0] for name in names])
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_xlim(-_EDGE - 0.2, _RIGHT)
    ax.tick_params(axis="y", length=0)
    heading(ax, "Fitted, interval of 95 %, on the band of the tolerances")


def _said(name: str, found: Interval, inside: bool) -> str:
    _, unit, factor = SAID[name]
    value, low, high = (factor * v if factor else ratio_db(v) for v in (found.value, found.low, found.high))
    digits = "+.3f" if factor == 0.0 else ".4g" if unit == "ms" else ".2f"
    numbers = f"{value:{digits}} {unit} ({low:{digits}} to {high:{digits}})"
    return numbers if inside else f"{numbers}, outside"
