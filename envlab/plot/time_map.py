"""Which time constants keep what is asked: beat contrast over attack and release, limits outlined."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, QuadMesh
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from envlab.analog.detector import PeakDetector
from envlab.plot.palette import INK, INK_ON_MAP, ON_MAP, SOFT
from envlab.plot.style import SMALL_PT, TEXT_PT, dress, heading
from envlab.study.brief import Brief
from envlab.study.choice import Choice
from envlab.units import FloatArray

STEPS_A_DECADE = 6


@dataclass(frozen=True, eq=False)
class TimeMap:
    """Candidates at the chosen gain on squares of a sixth of a decade of two time constants.

    attack_step, release_step: shape (squares,), whole numbers n of 10^(n/6) seconds. row: the number of the
    best-ranked candidate of each square. chosen_s: Ra·C and Rr·C of the choice.
    """

    attack_step: NDArray[np.int64]
    release_step: NDArray[np.int64]
    row: NDArray[np.int64]
    chosen_s: tuple[float, float]


def _time_constants_s(choice: Choice) -> tuple[FloatArray, FloatArray] | None:
    """Return (Ra·C, Rr·C) of every candidate, each of shape (candidates,), s; None without these parts."""
    detector = choice.chain.detector
    if not isinstance(detector, PeakDetector):
        return None

    def part(name: str) -> FloatArray:
        key = f"detector.{name}"
        if key in choice.table:
            return choice.table[key].to_numpy(float)
        return np.full(len(choice.table), float(getattr(detector, name)))

    hold = part("hold_farad")
    return part("attack_ohm") * hold, part("release_ohm") * hold


def time_map(choice: Choice, brief: Brief) -> TimeMap | None:
    """Return the squares to draw; None if the sweep does not move both time constants."""
    both = _time_constants_s(choice)
    if both is None:
        return None
    fixed = ("detector.attack_ohm", "detector.hold_farad", "detector.release_ohm")
    shown = np.ones(len(choice.table), dtype=bool)
    for key in brief.ranges:
        if key not in fixed:
            shown &= (choice.table[key] == choice.row[key]).to_numpy()
    steps = [np.round(STEPS_A_DECADE * np.log10(tau)).astype(np.int64) for tau in both]
    best: dict[tuple[int, int], int] = {}
    rank = choice.table["rank"].to_numpy(int)
    for number in np.flatnonzero(shown):
        square = (int(steps[0][number]), int(steps[1][number]))
        if square not in best or rank[number] < rank[best[square]]:
            best[square] = int(number)
    attack, release = np.array(list(best), dtype=np.int64).T
    if min(np.unique(attack).size, np.unique(release).size) < 2:
        return None
    chosen_s = (float(both[0][choice.number]), float(both[1][choice.number]))
    return TimeMap(attack, release, np.array(list(best.values())), chosen_s)


def time_constant_map(choice: Choice, brief: Brief, ax: Axes) -> Axes:
    """Draw beat contrast over Ra·C and Rr·C at the chosen gain, with what keeps flash limit and targets.

    Each square shows its best-ranked candidate. Raises ValueError if time_map has nothing to draw.
    """
    squares = time_map(choice, brief)
    if squares is None:
        raise ValueError("this sweep does not move both time constants")
    left, low = squares.attack_step.min(), squares.release_step.min()
    shape = (int(squares.release_step.max() - low) + 1, int(squares.attack_step.max() - left) + 1)
    place = (squares.release_step - low, squares.attack_step - left)
    contrast = np.full(shape, np.nan)
    contrast[place] = choice.table["beat_contrast_lstar"].to_numpy(float)[squares.row]
    safe, good = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    safe[place] = choice.table["flash_safe"].to_numpy(bool)[squares.row]
    good[place] = safe[place] & (choice.table["violation"].to_numpy(float)[squares.row] == 0)
    x_ms = 1e3 * 10 ** ((left + np.arange(shape[1] + 1) - 0.5) / STEPS_A_DECADE)
    y_ms = 1e3 * 10 ** ((low + np.arange(shape[0] + 1) - 0.5) / STEPS_A_DECADE)
    mesh = ax.pcolormesh(x_ms, y_ms, contrast, cmap="cividis", vmin=0, linewidth=0.5, edgecolors="face")
    ax.set(xscale="log", yscale="log")
    dress(ax, x="Ra·C, ms  (attack: R4 × C3)", y="Rr·C, ms  (release: R5 × C3)", grid="none")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.set_xlim(x_ms[0] / 1.15, x_ms[-1] * 1.15)
    ax.set_ylim(y_ms[0] / 1.15, y_ms[-1] * 1.15)
    _outline(ax, safe, x_ms, y_ms)
    _dots(ax, good, x_ms, y_ms)
    _name_inside(ax, safe, x_ms, y_ms, "keeps the flash limit")
    _ring(ax, 1e3 * squares.chosen_s[0], 1e3 * squares.chosen_s[1])
    _colour_scale(ax, mesh)
    heading(ax, "Ring: chosen. Dots: meet every target.", SOFT)
    return ax


def _dots(ax: Axes, good: NDArray[np.bool_], x: FloatArray, y: FloatArray) -> None:
    """Mark the squares that meet every target."""
    row, column = np.nonzero(good)
    ax.plot(
        np.sqrt(x[column] * x[column + 1]),
        np.sqrt(y[row] * y[row + 1]),
        "o",
        markersize=4.5,
        markerfacecolor=ON_MAP,
        markeredgecolor=INK_ON_MAP,
        markeredgewidth=0.8,
        linestyle="none",
        zorder=5,
        label="meets every target",
    )


def _name_inside(ax: Axes, inside: NDArray[np.bool_], x: FloatArray, y: FloatArray, words: str) -> None:
    """Write words in the middle of the row that has the longest run of such squares."""
    best = (0, 0, 0)
    for row, squares in enumerate(inside):
        run = 0
        for column, is_in in enumerate(squares):
            run = run + 1 if is_in else 0
            best = max(best, (run, row, column))
    run, row, column = best
    if run == 0:
        return
    middle = np.sqrt(x[column + 1] * x[column + 1 - run])
    text = ax.text(
        middle, np.sqrt(y[row] * y[row + 1]), words, color=ON_MAP, fontsize=TEXT_PT, ha="center", va="center"
    )
    text.set_path_effects([patheffects.withStroke(linewidth=2.0, foreground=INK_ON_MAP)])


def _outline(ax: Axes, inside: NDArray[np.bool_], x: FloatArray, y: FloatArray) -> None:
    """Draw the border of a set of squares: light under dark, so that it shows on any square."""
    framed = np.pad(inside, 1)
    lines = []
    for row, column in zip(*np.nonzero(framed[1:-1, :-1] != framed[1:-1, 1:]), strict=True):
        lines.append([(x[column], y[row]), (x[column], y[row + 1])])
    for row, column in zip(*np.nonzero(framed[:-1, 1:-1] != framed[1:, 1:-1]), strict=True):
        lines.append([(x[column], y[row]), (x[column + 1], y[row])])
    for hue, width in ((ON_MAP, 3.2), (INK_ON_MAP, 1.6)):
        border = LineCollection(lines, colors=hue, linewidths=width, capstyle="projecting", zorder=4)
        border.set_label("keeps the flash limit")
        ax.add_collection(border)


def _ring(ax: Axes, x: float, y: float) -> None:
    for hue, width in ((ON_MAP, 3.6), (INK_ON_MAP, 1.7)):
        ax.plot(
            [x],
            [y],
            "o",
            markersize=12,
            markerfacecolor="none",
            markeredgecolor=hue,
            markeredgewidth=width,
            zorder=6,
            label="chosen",
        )


def _colour_scale(ax: Axes, mesh: QuadMesh) -> None:
    bar = ax.figure.colorbar(mesh, ax=ax, pad=0.02, aspect=30)
    bar.set_label("beat contrast, L*", fontsize=TEXT_PT, color=INK)
    bar.ax.tick_params(labelsize=SMALL_PT, colors=SOFT, labelcolor=INK, width=0.7)
    bar.outline.set_visible(False)
