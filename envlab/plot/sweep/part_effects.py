"""What does each part buy? The metrics of the sweep over the values of one part at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from envlab.analog.parts import PartRange
from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.plot.palette import INK, SHADE, SOFT, metric_colour
from envlab.plot.style import (
    LINE_PT,
    dress,
    heading,
    limit_line,
    margin_note,
    note,
    part_ticks,
)
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.choice import Choice
from envlab.units import FloatArray, unit_of, value_of_key

DEFAULT_METRICS = ("beat_contrast_lstar", FLASH_METRIC, "onset_lag_worst_ms", "ripple_db")
PART_WORDS = {
    "preamp.feedback_ohm": "R3 (gain), Ω",
    "preamp.ground_ohm": "R2 (gain), Ω",
    "detector.hold_farad": "C3 (hold), F",
    "detector.attack_ohm": "R4 (attack), Ω",
    "detector.release_ohm": "R5 (release), Ω",
    "detector.smoothing_ohm": "R6 (smoothing), Ω",
}


def swept_keys(specification: Specification) -> tuple[str, ...]:
    """Return the keys of the specification that have more than one value to try, in their order."""
    return tuple(
        key
        for key, choices in specification.ranges.items()
        if len(choices.values if isinstance(choices, PartRange) else choices) > 1
    )


def along(choice: Choice, specification: Specification, key: str) -> NDArray[np.bool_]:
    """Return which candidates differ from the choice in this one key at most, shape (candidates,)."""
    same = np.ones(len(choice.table), dtype=bool)
    for other in specification.ranges:
        if other != key:
            same &= (choice.table[other] == choice.row[other]).to_numpy()
    return same


def part_effects(
    choice: Choice,
    specification: Specification,
    axes: NDArray[np.object_],
    metrics: Sequence[str] = DEFAULT_METRICS,
) -> NDArray[np.object_]:
    """Draw what each part buys, each panel in its metric's unit over its part's values: returns the axes.

    axes: one column for each swept key, one row for each metric, shape (len(metrics),
    len(swept_keys(specification))). In each panel all other parts stay as chosen.
    """
    keys = swept_keys(specification)
    for row, metric in enumerate(metrics):
        for column, key in enumerate(keys):
            part_effect(choice, specification, key, metric, axes[row, column])
        _share_height(choice, specification, metric, axes[row])
        for ax in axes[row, 1:]:
            ax.tick_params(labelleft=False)
            ax.set_ylabel("")
    for ax in axes[:-1].ravel():
        ax.tick_params(which="both", labelbottom=False)
        ax.set_xlabel("")
    for ax, key in zip(axes[0], keys, strict=True):
        heading(ax, f"{part_words(key).partition(' ')[0]} = {value_of_key(key, choice.row[key])}")
    return axes


def part_effect(choice: Choice, specification: Specification, key: str, metric: str, ax: Axes) -> Axes:
    """Draw one metric over the values of one swept key, all other parts as chosen.

    Dots keep the flash limit, crosses do not; the ring is the choice, the dashed line the target, and the
    side that misses it is shaded.
    """
    rows = choice.table[along(choice, specification, key)]
    safe = rows["flash_safe"].to_numpy(bool)
    height = rows[metric].to_numpy(float)
    place = value_axis(ax, key, rows[key].tolist())
    hue = metric_colour(metric)
    ax.plot(place, height, color=hue, linewidth=LINE_PT, zorder=3, label=metric)
    ax.plot(place[safe], height[safe], "o", color=hue, markersize=4, zorder=4)
    ax.plot(place[~safe], height[~safe], "x", color=hue, markersize=4.5, markeredgewidth=1.1, zorder=4)
    chosen = np.flatnonzero(rows.index == choice.number)
    ax.plot(
        place[chosen],
        height[chosen],
        "o",
        markersize=10,
        markerfacecolor="none",
        markeredgecolor=INK,
        markeredgewidth=1.4,
        zorder=5,
        label="chosen",
    )
    dress(ax, x=part_words(key), y=METRICS[metric].axis, y_colour=hue)
    for target in _targets(specification):
        if target.metric == metric:
            limit_line(ax, target.limit)
    return ax


def part_words(key: str) -> str:
    """Return what an axis of a swept key is called, as in "R4 (attack), Ω"."""
    return PART_WORDS.get(key, key.partition(".")[2].replace("_", " "))


def _targets(specification: Specification) -> tuple[Target, ...]:
    flash = Target(FLASH_METRIC, "at_most", specification.targets.flash_limit, 1.0)
    return (flash, *specification.targets.soft)


def value_axis(ax: Axes, key: str, values: list[float | str], *, most: int = 4) -> FloatArray:
    """Prepare the x axis for a key's values, few of them in words; return where on it they stand."""
    unit = unit_of(key)
    if any(isinstance(value, str) for value in values):
        ax.set_xticks(range(len(values)), [str(value) for value in values])
        ax.set_xlim(-0.5, len(values) - 0.5)
        return np.arange(len(values), dtype=float)
    numbers = np.array(values, dtype=float)
    if unit in ("ohm", "F"):
        part_ticks(ax, numbers, unit, most=most)
    return numbers


def _share_height(choice: Choice, specification: Specification, metric: str, axes: Iterable[Axes]) -> None:
    """One height for a row: from 0 to what the targets make worth seeing; shade the side that misses."""
    drawn = [ax.lines[0].get_ydata() for ax in axes]
    highest = max((float(np.max(part, initial=0.0, where=np.isfinite(part))) for part in drawn), default=0.0)
    chosen = float(choice.row[metric])
    target = next((t for t in _targets(specification) if t.metric == metric), None)
    worth = 4 * abs(target.limit) if target is not None else 4 * abs(chosen)
    top = 1.15 * min(highest, max(worth, 1.5 * chosen)) if np.isfinite(chosen) else highest
    top = max(top, 1.25 * target.limit if target is not None else 0.0) or 1.0
    bottom = min(
        0.0, 1.1 * min((float(np.nanmin(part)) for part in drawn if np.isfinite(part).any()), default=0)
    )
    for place, ax in enumerate(axes):
        ax.set_ylim(bottom if bottom < 0 else -0.04 * top, top)
        if not np.isfinite(ax.lines[0].get_ydata()).any():
            note(ax, "not judged", (0.5, 0.5), coords="axes fraction", ha="center", colour=SOFT)
        if target is None:
            continue
        misses = (target.limit, top) if target.side == "at_most" else (ax.get_ylim()[0], target.limit)
        ax.axhspan(*misses, color=SHADE, zorder=0.5, linewidth=0)
        if place == len(drawn) - 1:
            margin_note(ax, f"{target.side.replace('_', ' ')}\n{target.limit:g}", target.limit)
