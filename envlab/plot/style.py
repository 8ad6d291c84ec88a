"""What all pictures share: size of the sheet, letters, axes, words beside what they name, part values."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from matplotlib import patheffects
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Annotation
from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

from envlab.plot.palette import GRID, INK, PAPER, SOFT
from envlab.units import format_value

REPORT_WIDTH_MM = 180.0
TEXT_PT = 8.5
SMALL_PT = 8.0
LINE_PT = 1.4
LIMIT_STYLE = (0, (5, 2.5))


def sheet(height_mm: float, width_mm: float = REPORT_WIDTH_MM) -> Figure:
    """Return an empty picture of a size, of paper: letters are ink, on a dark page too.

    It belongs to no window and to no global state.
    """
    return Figure(figsize=(width_mm / 25.4, height_mm / 25.4), layout="constrained", facecolor=PAPER)


Grid = Literal["x", "y", "both", "none"]


def dress(ax: Axes, *, x: str = "", y: str = "", grid: Grid = "y", y_colour: str = INK) -> Axes:
    """Give axes their labels, quiet frame and letters; grid: which axes' ticks have lines."""
    ax.set_facecolor("none")
    ax.set_xlabel(x, fontsize=TEXT_PT, color=INK)
    ax.set_ylabel(y, fontsize=TEXT_PT, color=y_colour)
    ax.tick_params(which="both", labelsize=SMALL_PT, colors=SOFT, labelcolor=INK, length=3, width=0.7)
    for side, spine in ax.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set(color=SOFT, linewidth=0.7)
    ax.set_axisbelow(True)
    if grid != "none":
        ax.grid(True, axis=grid, color=GRID, linewidth=0.6)
    return ax


def heading(ax: Axes, text: str, colour: str = INK) -> None:
    """Write a panel's name above its upper left corner, in the colour of what it shows."""
    _above(ax, text, colour, at=0, ha="left", size_pt=TEXT_PT, weight="bold")


def beside_heading(ax: Axes, text: str, colour: str = SOFT) -> None:
    """Write a remark above a panel's upper right corner."""
    _above(ax, text, colour, at=1, ha="right", size_pt=SMALL_PT, weight="normal")


def _above(ax: Axes, text: str, colour: str, *, at: float, ha: str, size_pt: float, weight: str) -> None:
    # Its height makes room, its width must not: a long name would squeeze the axes.
    ax.set_title(" ", fontsize=TEXT_PT, pad=6)
    label = ax.annotate(
        text,
        (at, 1),
        xycoords="axes fraction",
        xytext=(0, 3),
        textcoords="offset points",
        fontsize=size_pt,
        color=colour,
        fontweight=weight,
        ha=ha,
        va="bottom",
    )
    label.set_in_layout(False)


def note(
    ax: Axes,
    text: str,
    at: tuple[float, float],
    *,
    offset: tuple[float, float] = (0, 0),
    colour: str = INK,
    ha: str = "left",
    va: str = "center",
    coords: str | tuple[str, str] = "data",
) -> Annotation:
    """Write a word beside what it names, with a rim of paper so that lines do not run through it.

    at: in units of coords (the axes' data if not said otherwise). offset: points to the right and up.
    """
    label = ax.annotate(
        text,
        at,
        xycoords=coords,
        xytext=offset,
        textcoords="offset points",
        fontsize=SMALL_PT,
        color=colour,
        ha=ha,
        va=va,
        annotation_clip=False,
    )
    label.set_path_effects([patheffects.withStroke(linewidth=2.5, foreground=PAPER)])
    label.set_in_layout(False)
    return label


def margin_note(ax: Axes, text: str, height: float, colour: str = INK) -> None:
    """Write a word to the right of the axes at a height of its y axis; the layout makes room for it."""
    ax.annotate(
        text,
        (1, height),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        fontsize=SMALL_PT,
        color=colour,
        va="center",
        annotation_clip=False,
    )


def limit_line(ax: Axes, at: float, *, vertical: bool = False) -> None:
    """Draw a limit at a value of the y axis (vertical: the x axis): dashed ink, the same in every picture."""
    draw = ax.axvline if vertical else ax.axhline
    draw(at, color=INK, linewidth=1.0, linestyle=LIMIT_STYLE, zorder=2.5)


def part_ticks(ax: Axes, values: Iterable[float], unit: str, *, most: int = 4) -> None:
    """Put part values as the trade writes them on a logarithmic x axis: every one a tick, few with a word."""
    marks = sorted(values)
    ax.set_xscale("log")
    step = -(-len(marks) // most)
    named = marks[::step]
    ax.xaxis.set_major_locator(FixedLocator(named))
    ax.xaxis.set_minor_locator(FixedLocator([mark for mark in marks if mark not in named]))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_xticks(named, [format_value(mark, unit) for mark in named])


def no_ticks(ax: Axes, *, x: bool = False, y: bool = False) -> None:
    """Take away the ticks of an axis that carries words instead."""
    for wanted, axis in ((x, ax.xaxis), (y, ax.yaxis)):
        if wanted:
            axis.set_major_locator(NullLocator())
            axis.set_minor_locator(NullLocator())
