"""Picture of a level diagram: quiet and loud sound, noise and limit at each node, one line each."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from envlab.plot.palette import INK, SOFT, colour
from envlab.plot.style import LIMIT_STYLE, LINE_PT, dress, heading, note, sheet
from envlab.study.level_diagram import LevelDiagram
from envlab.units import db

_LEAST = 1e-9


def draw_levels(diagram: LevelDiagram, ax: Axes) -> Axes:
    """Draw dB over the nodes (dB re 1 V; re 1 Pa in the air); the node that clips first is named.

    A limit is a dashed tick over its node; the space between loud and limit is the headroom.
    """
    levels = diagram.levels
    at = np.arange(len(levels))
    for values, words, ink, style in (
        ([level.loud for level in levels], f"{diagram.loud_db_spl:g} dB SPL", colour("preamp"), "-"),
        ([level.quiet for level in levels], f"{diagram.quiet_db_spl:g} dB SPL", colour("detector"), "-"),
        ([level.noise for level in levels], "noise", SOFT, ":"),
    ):
        heights = [db(max(value, _LEAST)) for value in values]
        ax.plot(at, heights, style, color=ink, marker="o", markersize=3.5, linewidth=LINE_PT, label=words)
        note(ax, words, (at[-1], heights[-1]), offset=(6, 0), colour=ink)
    for place, level in zip(at, levels, strict=True):
        if math.isfinite(level.limit):
            ends = (place - 0.3, place + 0.3)
            ax.plot(ends, [db(level.limit)] * 2, color=INK, linestyle=LIMIT_STYLE, linewidth=1.0)
    node, level_db_spl = diagram.first_to_clip
    dress(ax, y="dB re 1 V (air: re 1 Pa)")
    heading(ax, f"Levels through the chain; the {node} clips first, at {level_db_spl:.1f} dB SPL")
    ax.set_xticks(at, [level.node for level in levels])
    ax.set_xlim(-0.5, len(levels) - 0.1)
    return ax


def levels_sheet(diagram: LevelDiagram) -> Figure:
    """Return a level diagram at report size.

    Parameters
    ----------
    diagram : LevelDiagram
        As envlab.judge.level_diagram gives it.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(72)
    draw_levels(diagram, fig.subplots())
    return fig
