"""What does a part do on each clip? One small panel a clip and metric, over the values of one swept part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from envlab.errors import ParameterError
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.plot.palette import INK, SHADE, SOFT, metric_colour
from envlab.plot.style import LINE_PT, SMALL_PT, dress, heading, limit_line, sheet
from envlab.plot.sweep.better_direction import target_of
from envlab.plot.sweep.part_effects import along, part_words, swept_keys, value_axis
from envlab.sound.clip import Clip
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.choice import Choice
from envlab.units import value_of_key


@dataclass(frozen=True)
class ClipFigure:
    """A metric that the sweep keeps for each clip, in the column "name [clip]".

    words: with the unit. judged_as: the metric over all clips, whose target and colour it has. tag: of the
    clips that this target speaks of; None: of all.
    """

    words: str
    judged_as: str
    tag: str | None


CLIP_METRICS: dict[str, ClipFigure] = {
    "contrast_lstar": ClipFigure("contrast, L*", "beat_contrast_lstar", "beat"),
    "flashes_per_s": ClipFigure("flashes in 1 s", FLASH_METRIC, None),
    "lit_share": ClipFigure("lit share", "quiet_lit_share", "quiet"),
    "clipped_share": ClipFigure("clipped share", "clipped_share", None),
}
USUAL = ("contrast_lstar", "flashes_per_s", "lit_share")
MOST_COLUMNS = 5
_PANEL_MM = 23.0


def usual_key(specification: Specification) -> str:
    """Return the swept key to look along: the release resistor, else the last; ParameterError if none is."""
    keys = swept_keys(specification)
    if not keys:
        raise ParameterError("sweep", "one value for each part", "a part with several values")
    return "detector.release_ohm" if "detector.release_ohm" in keys else keys[-1]


def clip_panel(
    choice: Choice, specification: Specification, clip: Clip, key: str, metric: str, ax: Axes
) -> Axes:
    """Draw a metric of one clip over the values of one swept key, all other parts as chosen.

    metric: a name of CLIP_METRICS. Dots keep the flash limit on this clip, crosses do not; the ring is the
    choice. The dashed line is the target, where it speaks of this clip.
    """
    rows = choice.table[along(choice, specification, key)]
    asked = CLIP_METRICS[metric]
    height = rows[f"{metric} [{clip.label}]"].to_numpy(float)
    safe = rows[f"{FLASH_METRIC} [{clip.label}]"].to_numpy(float) <= specification.targets.flash_limit
    place = value_axis(ax, key, rows[key].tolist(), most=2)
    hue = metric_colour(asked.judged_as)
    ax.plot(place, height, color=hue, linewidth=LINE_PT, zorder=3, label=metric)
    ax.plot(place[safe], height[safe], "o", color=hue, markersize=3.5, zorder=4)
    ax.plot(place[~safe], height[~safe], "x", color=hue, markersize=4, markeredgewidth=1.0, zorder=4)
    chosen = np.flatnonzero(rows.index == choice.number)
    ax.plot(
        place[chosen], height[chosen], "o", ms=8.5, mfc="none", mec=INK, mew=1.3, zorder=5, label="chosen"
    )
    dress(ax, x=part_words(key), y=asked.words, y_colour=hue)
    target = _target(specification, clip, asked)
    if target is not None:
        limit_line(ax, target.limit)
    return ax


def clip_multiples(
    choice: Choice,
    specification: Specification,
    axes: NDArray[np.object_],
    clips: Sequence[Clip],
    key: str,
    metrics: Sequence[str] = USUAL,
) -> NDArray[np.object_]:
    """Draw panels: one row for each metric, one column for each clip; a metric has one height everywhere.

    axes: shape (len(metrics), len(clips)), which come back; each panel is in its metric's own unit. The side
    that misses a target is shaded, where the target speaks of the clip.
    """
    for row, metric in zip(axes, metrics, strict=True):
        for ax, clip in zip(row, clips, strict=True):
            clip_panel(choice, specification, clip, key, metric, ax)
            ax.set_ylim(*_height(choice, specification, key, metric))
            _shade(ax, _target(specification, clip, CLIP_METRICS[metric]))
        for ax in row[1:]:
            ax.tick_params(labelleft=False)
            ax.set_ylabel("")
    for ax in axes[:-1].ravel():
        ax.tick_params(which="both", labelbottom=False)
        ax.set_xlabel("")
    for ax, clip in zip(axes[0], clips, strict=True):
        heading(ax, clip.label.replace("_", " "))
    return axes


def clips_sheet(
    choice: Choice, specification: Specification, key: str | None = None, metrics: Sequence[str] = USUAL
) -> Figure:
    """Return what a swept part does on each clip.

    Parameters
    ----------
    choice : Choice
        What a sweep chose.
    specification : Specification
        What is asked.
    key : str or None
        The swept key to look along; None: the release resistor, else the last.
    metrics : sequence of str
        Names of metrics, columns of the sweep.

    Returns
    -------
    matplotlib Figure

    Raises
    ------
    ParameterError
        If no part has several values to try.
    """
    key = key or usual_key(specification)
    bands = -(-len(specification.clips) // MOST_COLUMNS)
    columns = -(-len(specification.clips) // bands)
    page = sheet(bands * (_PANEL_MM * len(metrics) + 14) + 8)
    parts = page.subfigures(bands, 1, hspace=0.03, squeeze=False)[:, 0]
    for band, part in enumerate(parts):
        clips = specification.clips[band * columns : (band + 1) * columns]
        axes = part.subplots(len(metrics), columns, squeeze=False)
        clip_multiples(choice, specification, axes[:, : len(clips)], clips, key, metrics)
        for ax in axes[:, len(clips) :].ravel():
            ax.set_visible(False)
        part.align_ylabels(list(axes[:, 0]))
    name = part_words(key).partition(" ")[0]
    page.suptitle(
        f"○ chosen, {name} = {value_of_key(key, choice.row[key])}     × flashes more on this clip     "
        "dashed: target     grey: misses it",
        fontsize=SMALL_PT,
        color=SOFT,
    )
    return page


def _target(specification: Specification, clip: Clip, asked: ClipFigure) -> Target | None:
    if asked.tag is not None and asked.tag not in clip.tags:
        return None
    return target_of(asked.judged_as, specification.targets)


def _height(choice: Choice, specification: Specification, key: str, metric: str) -> tuple[float, float]:
    """From 0 to the largest of all clips, or to what the target makes worth seeing."""
    rows = choice.table[along(choice, specification, key)]
    every = np.array([rows[f"{metric} [{clip.label}]"].to_numpy(float) for clip in specification.clips])
    top = float(np.max(every, initial=0.0, where=np.isfinite(every)))
    target = target_of(CLIP_METRICS[metric].judged_as, specification.targets)
    if target is not None:
        worth = 4 * target.limit if target.side == "at_most" else top
        top = max(min(top, worth), 1.25 * target.limit)
    top = 1.12 * (top or 1.0)
    return -0.06 * top, top


def _shade(ax: Axes, target: Target | None) -> None:
    if target is None:
        return
    low, high = ax.get_ylim()
    misses = (target.limit, high) if target.side == "at_most" else (low, target.limit)
    ax.axhspan(*misses, color=SHADE, zorder=0.5, linewidth=0)
