"""What cannot be had together: contrast against latency, ripple_aliasing and current.

And the parts at the ends.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from envlab.metrics.catalogue import METRICS
from envlab.plot.palette import INK, PAPER, SHADE, SOFT, metric_colour
from envlab.plot.style import SMALL_PT, TEXT_PT, dress, heading, limit_line, no_ticks, note, sheet
from envlab.plot.sweep.better_direction import better_side, target_of
from envlab.plot.sweep.part_effects import part_words, swept_keys
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.choice import Choice
from envlab.study.sweep.pareto import WANTED, pareto_front
from envlab.units import BoolArray, FloatArray, value_of_key

HEIGHT = "beat_contrast_lstar"
ACROSS = tuple(metric for metric in WANTED if metric != HEIGHT)
_LINE_CHARACTERS = 50
# Where a letter may stand beside its point, in points of print: the first that is clear of other letters.
_BESIDE = [(10, 17), (20, 10), (-10, 17), (-20, 10), (10, -17), (-10, -17), (20, -10), (-20, -10), (28, 20)]


@dataclass(frozen=True)
class Pick:
    """One end of the front. row: its place in the table. words: what it has most or least of."""

    letter: str
    row: int
    words: str


def safe_front(choice: Choice) -> BoolArray:
    """Return for each candidate whether it keeps the flash limit and none that does beats it.

    Metrics are those of study.pareto.WANTED. A candidate beyond the limit beats nobody.
    """
    front = np.zeros(len(choice.table), dtype=bool)
    safe = choice.table["flash_safe"].to_numpy(bool)
    front[safe] = pareto_front(choice.table[safe])
    return front


def picks_of(choice: Choice) -> tuple[Pick, ...]:
    """Return the best of the front in each metric, lettered; of equals the best ranked."""
    rows = np.flatnonzero(safe_front(choice))
    if rows.size == 0:
        return ()
    rank = choice.table["rank"].to_numpy(int)[rows]
    words: dict[int, list[str]] = {}
    for metric, way in WANTED.items():
        cost = choice.table[metric].to_numpy(float)[rows] * (-1 if way == "high" else 1)
        best = int(rows[np.lexsort((rank, cost))[0]])
        name = METRICS[metric].axis.partition(",")[0]
        words.setdefault(best, []).append(f"{'most' if way == 'high' else 'least'} {name}")
    return tuple(
        Pick("ABCD"[place], row, " and ".join(found)) for place, (row, found) in enumerate(words.items())
    )


def pareto_scatter(choice: Choice, specification: Specification, ax: Axes, metric: str) -> Axes:
    """Draw beat contrast over another metric of study.pareto.WANTED, a point for each candidate.

    Faint crosses flash more than allowed; faint dots keep the limit and miss a target; dots in the metric's
    colour are on the front of all four metrics; white ones meet every target; the ring is the choice. The
    dashed lines are targets, and the side that misses them is shaded.
    """
    x, y = (choice.table[name].to_numpy(float) for name in (metric, HEIGHT))
    safe = choice.table["flash_safe"].to_numpy(bool)
    meets = safe & (choice.table["violation"].to_numpy(float) == 0)
    front = safe_front(choice)
    _cloud(ax, x, y, ~safe, "x", "flashes more")
    _cloud(ax, x, y, safe & ~front & ~meets, ".", "misses a target")
    for group, face, label in (
        (front & ~meets, metric_colour(metric), "on the front"),
        (meets, PAPER, "meets every target"),
    ):
        edge = INK if label == "meets every target" else face
        ax.plot(x[group], y[group], "o", ms=4.5, mfc=face, mec=edge, mew=1.0, zorder=4, label=label)
    at = [choice.number]
    ax.plot(x[at], y[at], "o", ms=11, mfc="none", mec=INK, mew=1.5, zorder=5, label="chosen")
    dress(
        ax,
        x=_axis_words(metric, specification.targets),
        y=_axis_words(HEIGHT, specification.targets),
        grid="both",
    )
    _show(ax, x, y, front | meets, target_of(metric, specification.targets))
    _shade_misses(ax, metric, specification.targets)
    return ax


def letter_picks(choice: Choice, ax: Axes, metric: str) -> Axes:
    """Write the letters of picks_of at their points; call it when the axes have their place on the page."""
    chosen = (float(choice.row[metric]), float(choice.row[HEIGHT]))
    taken: list[FloatArray] = [ax.transData.transform(chosen)]
    a_point = ax.get_figure(root=True).dpi / 72  # type: ignore[union-attr]
    for pick in picks_of(choice):
        point = (float(choice.table[metric].iloc[pick.row]), float(choice.table[HEIGHT].iloc[pick.row]))
        places = [(offset, ax.transData.transform(point) + a_point * np.array(offset)) for offset in _BESIDE]
        clear = [
            (offset, place)
            for offset, place in places
            if ax.bbox.x0 + 6 * a_point < place[0] < ax.bbox.x1 - 6 * a_point
            and ax.bbox.y0 + 18 * a_point < place[1] < ax.bbox.y1 - 6 * a_point
            and all(np.abs(place - other).max() > 12 * a_point for other in taken)
        ]
        offset, place = (clear or places)[0]
        taken.append(place)
        ax.annotate(
            pick.letter,
            point,
            xytext=offset,
            textcoords="offset points",
            fontsize=SMALL_PT,
            fontweight="bold",
            color=INK,
            ha="center",
            va="center",
            zorder=6,
            arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.8, "shrinkA": 1, "shrinkB": 1},
        ).set_in_layout(False)
    return ax


def pick_list(choice: Choice, specification: Specification, ax: Axes) -> Axes:
    """Write what the letters and the ring stand for: the swept parts of each, one below the other."""
    entries = [("○", "chosen", choice.number)]
    entries += [(pick.letter, pick.words, pick.row) for pick in picks_of(choice)]
    dress(ax, grid="none")
    no_ticks(ax, x=True, y=True)
    for side in ax.spines.values():
        side.set_visible(False)
    blocks = [
        (mark, [words, *textwrap.wrap(parts_words(choice, specification, row), _LINE_CHARACTERS)])
        for mark, words, row in entries
    ]
    lines = sum(len(words) for _, words in blocks) + 0.5 * len(blocks)
    ax.set(xlim=(0, 1), ylim=(lines, 0))
    line = 0.5
    for mark, words in blocks:
        ax.text(0.0, line, mark, fontsize=TEXT_PT, fontweight="bold", color=INK, va="center")
        for k, text in enumerate(words):
            ax.text(0.06, line + k, text, fontsize=SMALL_PT, color=INK if k == 0 else SOFT, va="center")
        line += len(words) + 0.5
    return ax


def parts_words(choice: Choice, specification: Specification, row: int) -> str:
    """Return the swept parts of a candidate, as in "R3 = 22k, C3 = 1u"."""
    return ", ".join(
        f"{part_words(key).partition(' ')[0]} = {value_of_key(key, choice.table[key].iloc[row])}"
        for key in swept_keys(specification)
    )


def pareto_sheet(choice: Choice, specification: Specification) -> Figure:
    """Return contrast against latency, ripple_aliasing and current.

    And the parts at the ends of the front.

    Parameters
    ----------
    choice : Choice
        What a sweep chose.
    specification : Specification
        What is asked.

    Returns
    -------
    matplotlib Figure
    """
    page = sheet(130)
    axes = page.subplots(2, 2)
    for ax, metric in zip(axes.flat, ACROSS, strict=False):
        pareto_scatter(choice, specification, ax, metric)
        name = METRICS[metric].axis.partition(",")[0]
        heading(ax, f"Contrast against {name}", metric_colour(metric))
    pick_list(choice, specification, axes.flat[-1])
    heading(axes.flat[-1], "Ends of the front")
    page.suptitle(
        "ring: chosen    large: none is better in all four    white: meets every target    × flashes more"
        "    grey: misses the target",
        fontsize=SMALL_PT,
        color=SOFT,
    )
    page.draw_without_rendering()
    for ax, metric in zip(axes.flat, ACROSS, strict=False):
        letter_picks(choice, ax, metric)
    return page


def _axis_words(metric: str, targets: Targets) -> str:
    side = {"high": ": more is better", "low": ": less is better", "neither": ""}
    return f"{METRICS[metric].axis}{side[better_side(metric, targets)]}"


def _cloud(ax: Axes, x: FloatArray, y: FloatArray, group: BoolArray, marker: str, label: str) -> None:
    """Thousands of points: as an image, or a page that holds them as lines would be too heavy."""
    ax.plot(
        x[group],
        y[group],
        marker,
        ms=3,
        mew=0.6,
        color=SOFT,
        alpha=0.3,
        linestyle="none",
        rasterized=True,
        zorder=2,
        label=label,
    )


def _show(ax: Axes, x: FloatArray, y: FloatArray, matters: BoolArray, target: Target | None) -> None:
    """What matters and the target in sight; of the rest say how many lie beyond."""
    known = np.isfinite(x) & np.isfinite(y)
    if not known.any():
        note(ax, "not judged", (0.5, 0.5), coords="axes fraction", ha="center", colour=SOFT)
        return
    seen = known & matters if (known & matters).any() else known
    left = float(x[known].min())
    right = max(float(x[seen].max()), left if target is None else target.limit)
    room = 0.08 * ((right - left) or max(abs(right), 1.0) / 0.16)
    ax.set_xlim(left - room, right + room)
    ax.locator_params(axis="x", nbins=5)
    beyond = int((x[known] > right + room).sum())
    if beyond:
        words = f"{beyond} more →"
        note(ax, words, (0.985, 0.03), coords="axes fraction", ha="right", va="bottom", colour=SOFT)


def _shade_misses(ax: Axes, metric: str, targets: Targets) -> None:
    for name, vertical in ((metric, True), (HEIGHT, False)):
        target = target_of(name, targets)
        if target is None:
            continue
        limit_line(ax, target.limit, vertical=vertical)
        low, high = ax.get_xlim() if vertical else ax.get_ylim()
        misses = (target.limit, high) if target.side == "at_most" else (low, target.limit)
        if misses[0] >= misses[1]:
            continue
        span = ax.axvspan if vertical else ax.axhspan
        span(*misses, color=SHADE, zorder=0.5, linewidth=0)
        if vertical:
            ax.set_xlim(low, high)
        else:
            ax.set_ylim(low, high)
