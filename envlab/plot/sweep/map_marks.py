"""Marks on a map of squares: borders, dots, a ring, words; each light and dark, to show on any square.

x and y are the edges of the squares' columns and rows on logarithmic axes.
"""

from __future__ import annotations

import numpy as np
from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from envlab.plot.palette import INK_ON_MAP, ON_MAP
from envlab.plot.style import TEXT_PT
from envlab.units import BoolArray, FloatArray

SOLID = "solid"
DASHED = (0, (2.2, 1.6))

# Squares that the words take, at least.
_ROOM_SQUARES = 4


def outline(ax: Axes, inside: BoolArray, x: FloatArray, y: FloatArray, label: str) -> None:
    """Draw the border of a set of squares, solid. inside: shape (rows, columns)."""
    _border(ax, inside, np.ones_like(np.pad(inside, 1)), x, y, label, SOLID)


def divide(ax: Axes, inside: BoolArray, known: BoolArray, x: FloatArray, y: FloatArray, label: str) -> None:
    """Draw the border between squares of a set and other known squares, dashed; none against empty paper."""
    _border(ax, inside & known, np.pad(known, 1), x, y, label, DASHED)


def _border(
    ax: Axes,
    inside: BoolArray,
    seen: BoolArray,
    x: FloatArray,
    y: FloatArray,
    label: str,
    style: object,
) -> None:
    """seen: with a frame of one square round it; a border is drawn between two squares that are seen."""
    framed = np.pad(inside, 1)
    across = (framed[1:-1, :-1] != framed[1:-1, 1:]) & seen[1:-1, :-1] & seen[1:-1, 1:]
    along = (framed[:-1, 1:-1] != framed[1:, 1:-1]) & seen[:-1, 1:-1] & seen[1:, 1:-1]
    lines = [[(x[c], y[r]), (x[c], y[r + 1])] for r, c in zip(*np.nonzero(across), strict=True)]
    lines += [[(x[c], y[r]), (x[c + 1], y[r])] for r, c in zip(*np.nonzero(along), strict=True)]
    for hue, width, kind in ((ON_MAP, 3.2, SOLID), (INK_ON_MAP, 1.6, style)):
        border = LineCollection(
            lines, colors=hue, linewidths=width, linestyles=[kind], capstyle="projecting", zorder=4
        )
        border.set_label(label)
        ax.add_collection(border)


def dots(ax: Axes, inside: BoolArray, x: FloatArray, y: FloatArray, label: str) -> None:
    """Put a dot into each square of a set. inside: shape (rows, columns)."""
    row, column = np.nonzero(inside)
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
        label=label,
    )


def name_inside(
    ax: Axes, inside: BoolArray, dotted: BoolArray, x: FloatArray, y: FloatArray, words: str
) -> None:
    """Write words in the middle of the row that has the longest run of squares inside, where no dot lies.

    Where no row has room beside the dots, between two rows: dots lie in the middle of theirs.
    """
    run, row, column = _longest_run(inside & ~dotted)
    at_y = np.sqrt(y[row] * y[row + 1])
    if run < _ROOM_SQUARES:
        between = _longest_run(inside[:-1] & inside[1:])
        if between[0] > run:
            run, row, column = between
            at_y = y[row + 1]
    if run == 0:
        return
    middle = np.sqrt(x[column + 1] * x[column + 1 - run])
    text = ax.text(middle, at_y, words, color=ON_MAP, fontsize=TEXT_PT, ha="center", va="center")
    text.set_path_effects([patheffects.withStroke(linewidth=2.0, foreground=INK_ON_MAP)])


def _longest_run(squares: BoolArray) -> tuple[int, int, int]:
    """Return (length, row, last column) of the longest run within a row."""
    best = (0, 0, 0)
    for row, some in enumerate(squares):
        run = 0
        for column, is_in in enumerate(some):
            run = run + 1 if is_in else 0
            best = max(best, (run, row, column))
    return best


def ring(ax: Axes, x: float, y: float, label: str) -> None:
    """Draw a ring round a place."""
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
            label=label,
        )
