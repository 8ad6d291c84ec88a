"""What share of boards meets each target, and which part costs most: histograms, and bars of causes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.plot.palette import INK, PAPER, SHADE, SOFT, colour, metric_colour
from envlab.plot.style import (
    SMALL_PT,
    beside_heading,
    dress,
    heading,
    limit_line,
    no_ticks,
    note,
    sheet,
)
from envlab.study.tolerance.result import ToleranceResult
from envlab.study.tolerance.tables import records
from envlab.study.tolerance.words import LEAST_GAIN, design_meets, percent_text
from envlab.units import FloatArray

COLUMNS = 3
BINS = 24
MOST_CAUSES = 8
_PANEL_MM, _CAUSE_MM, _ROOM_MM = 36.0, 5.0, 20.0


def tolerance_sheet(result: ToleranceResult) -> Figure:
    """Return one histogram for each metric that differs among the boards, and below what causes the loss.

    Parameters
    ----------
    result : ToleranceResult
        What envlab.tolerance gave.

    Returns
    -------
    matplotlib Figure
    """
    shown = [row for row in _rows(result) if row["varies"]]
    same = [row for row in _rows(result) if not row["varies"]]
    rows = max(1, math.ceil(len(shown) / COLUMNS))
    lines = max(1, len(_costly(result))) + bool(same)
    height_mm = rows * _PANEL_MM + _CAUSE_MM * lines + _ROOM_MM
    fig = sheet(height_mm)
    panels_mm = rows * _PANEL_MM
    parts = fig.subfigures(2, 1, squeeze=False, height_ratios=(panels_mm, height_mm - panels_mm))
    upper, lower = parts[:, 0]
    axes = upper.subplots(rows, COLUMNS, squeeze=False).ravel()
    for ax, row in zip(axes, shown, strict=False):
        metric_histogram(result, row["metric"], ax)
    for ax in axes[len(shown) :]:
        ax.set_axis_off()
    cause_bars(result, lower.subplots())
    if same:
        told = ", ".join(f"{METRICS[row['metric']].label.lower()} {_told(row)}" for row in same)
        lower.supxlabel(f"The same on every board: {told}.", fontsize=SMALL_PT, color=SOFT, x=0.01, ha="left")
    return fig


def _rows(result: ToleranceResult) -> list[dict[str, Any]]:
    rows = records(result.targets)
    for row in rows:
        values = result.boards[row["metric"]].to_numpy(float)
        row["varies"] = bool(np.nanmax(values) > np.nanmin(values))
    return rows


def _told(row: dict[str, Any]) -> str:
    met = "" if row["yield_share"] == 1 else ", which misses"
    return f"{METRICS[row['metric']].text(row['nominal'])}{met}"


def metric_histogram(result: ToleranceResult, name: str, ax: Axes) -> Axes:
    """Draw how many boards have which value of a metric with a target.

    Full bars meet the target, hatched ones miss it; the dashed line is the limit, the solid one the design.
    Boards that stay dark, with −inf dB of range, stand in the last bar on the side that misses.
    """
    row = next(row for row in _rows(result) if row["metric"] == name)
    values = result.boards[name].dropna().to_numpy(float)
    limit, below = row["limit"], row["side"] == "at_most"
    if not np.isfinite(values).all():
        known = np.append(values[np.isfinite(values)], (row["nominal"], limit))
        beyond = np.ptp(known) / BINS or 1.0
        values = np.clip(values, known.min() - beyond, known.max() + beyond)
    edges = _edges(values, limit, whole=name == FLASH_METRIC)
    share = np.histogram(values, edges)[0] / max(len(result.boards), 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    misses = middle > limit if below else middle < limit
    hue, width = metric_colour(name), np.diff(edges)
    ax.bar(edges[:-1][~misses], share[~misses], width[~misses], align="edge", color=hue, linewidth=0)
    ax.bar(
        edges[:-1][misses],
        share[misses],
        width[misses],
        align="edge",
        facecolor=PAPER,
        edgecolor=hue,
        hatch="/////",
        linewidth=0.6,
    )
    unit = "in 1 s" if name == FLASH_METRIC else METRICS[name].unit
    dress(ax, x="%" if name.endswith("share") else unit, grid="none")
    no_ticks(ax, y=True)
    ax.spines["left"].set_visible(False)
    ax.set_ylim(0, 1.5 * share.max())
    if name == FLASH_METRIC:
        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    _mark(ax, row, (edges[0], edges[-1]))
    if name.endswith("share"):
        ax.xaxis.set_major_formatter(lambda x, _: f"{100 * x:g}")
    heading(ax, METRICS[name].label, hue)
    lost = 1 - row["yield_share"]
    beside_heading(
        ax, "all meet it" if lost == 0 else f"{percent_text(lost)} miss it", SOFT if lost == 0 else INK
    )
    return ax


def _edges(values: FloatArray, limit: float, *, whole: bool) -> FloatArray:
    """Edges of the bars, the limit among them if it lies near."""
    low, high = float(values.min()), float(values.max())
    if whole:
        return np.arange(math.floor(low) - 0.5, math.ceil(high) + 1)
    step = (high - low) / BINS or 1.0
    first = limit + step * math.floor((low - limit) / step)
    return np.asarray(first + step * np.arange(math.ceil((high - first) / step) + 2), dtype=np.float64)


def _mark(ax: Axes, row: dict[str, Any], span: tuple[float, float]) -> None:
    """Limit, the side that misses it, and the design; a limit far away is only told."""
    width = span[1] - span[0]
    limit, below, name = row["limit"], row["side"] == "at_most", row["metric"]
    far = not span[0] - 0.6 * width <= limit <= span[1] + 0.6 * width
    # Whole numbers stand in the middle of their bars, so the limit lies between two.
    at = limit + 0.5 if name == FLASH_METRIC else limit
    low = min(span[0], span[0] if far else at - 0.04 * width, row["nominal"])
    high = max(span[1], span[1] if far else at + 0.04 * width, row["nominal"])
    ax.set_xlim(low, high)
    words = f"{row['side'].replace('_', ' ')} {METRICS[name].text(limit)}"
    if far:
        right = limit > span[1]
        arrow = f"{words} →" if right else f"← {words}"
        note(
            ax,
            arrow,
            (float(right), 0.94),
            coords="axes fraction",
            ha="right" if right else "left",
            colour=SOFT,
        )
    else:
        limit_line(ax, at, vertical=True)
        ax.axvspan(*((at, high) if below else (low, at)), color=SHADE, zorder=0.5, linewidth=0)
        left = at > 0.5 * (low + high)
        note(
            ax,
            words,
            (at, 0.94),
            offset=(-3 if left else 3, 0),
            coords=("data", "axes fraction"),
            ha="right" if left else "left",
        )
    ax.axvline(row["nominal"], ymax=0.76, color=INK, linewidth=1.1, zorder=3)
    left = row["nominal"] > 0.5 * (low + high)
    note(
        ax,
        f"design {METRICS[name].text(row['nominal'], with_unit=False)}",
        (row["nominal"], 0.77),
        offset=(-3 if left else 3, 0),
        coords=("data", "axes fraction"),
        ha="right" if left else "left",
    )


def _costly(result: ToleranceResult) -> list[dict[str, Any]]:
    return [row for row in records(result.causes) if row["gain"] >= LEAST_GAIN][:MOST_CAUSES]


def _counted_targets(result: ToleranceResult) -> str:
    """Which targets count among the causes: those that the design itself meets."""
    every = all(design_meets(row) for row in records(result.targets))
    return "every target" if every else "what the design itself meets"


def cause_bars(result: ToleranceResult, ax: Axes) -> Axes:
    """Draw the share of boards that each parameter would save if it were exact, the costliest on top.

    Only the targets that the design itself meets count here.
    """
    causes, every = _costly(result), records(result.causes)
    hue = colour("preamp")
    heading(ax, f"Boards that meet {_counted_targets(result)} if one part alone is exact", hue)
    if not causes:
        ax.set_axis_off()
        told = "No part is to blame: none of them alone, made exact, would save a board in fifty."
        note(ax, told, (0, 0.5), coords="axes fraction", colour=SOFT)
        return ax
    before = float(every[0]["yield_if_exact"] - every[0]["gain"])
    place = -np.arange(len(causes), dtype=float)
    exact = np.array([row["yield_if_exact"] for row in causes])
    tighter = np.array([row["yield_if_tighter"] for row in causes])
    ax.barh(place, 100 * (exact - before), 0.62, left=100 * before, color=hue, linewidth=0)
    tight = "   ◆: a class tighter" if np.isfinite(tighter).any() else ""
    dress(ax, x=f"% of the boards.   Line: as it is, {percent_text(before)}{tight}", grid="x")
    ax.set_yticks(place, [f"{row['label']}  {row['range']}" for row in causes])
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.axvline(100 * before, color=INK, linewidth=1.1, zorder=3)
    known = np.isfinite(tighter)
    ax.plot(100 * tighter[known], place[known], "D", color=INK, markersize=4, zorder=4)
    ends = np.fmax(exact, tighter)
    for at, row, end in zip(place, causes, ends, strict=True):
        bought = f", at {row['tighter']} {percent_text(row['yield_if_tighter'])}" if row["tighter"] else ""
        words = f"exact {percent_text(row['yield_if_exact'])}{bought}"
        note(ax, words, (100 * float(end), float(at)), offset=(6, 0))
    room = float(np.max(ends)) - before
    ax.set_xlim(100 * (before - 0.03 * room), 100 * (before + 1.6 * room))
    ax.set_xticks([tick for tick in ax.get_xticks() if 100 * before - 1e-9 <= tick <= 100])
    ax.set_ylim(-len(causes) + 0.4, 0.6)
    return ax
