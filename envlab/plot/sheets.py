"""Whole pictures at report size: metrics with their axes laid out and drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from envlab.chain import Chain
from envlab.plot.palette import SHADE, SOFT, colour
from envlab.plot.strips import brightness_strip, current_strip, flash_strip, strip_label
from envlab.plot.style import SMALL_PT, heading, sheet
from envlab.plot.sweep.part_effects import DEFAULT_METRICS, part_effects, swept_keys
from envlab.plot.sweep.time_map import time_constant_map
from envlab.plot.table.table_curve import clip_levels, table_curve
from envlab.plot.voltages import ROWS, chain_voltages, stroke_voltages
from envlab.study.chosen_on_clips import ClipLight, MusicScene
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import Choice

STRIP_S = 12.0


def voltages_sheet(scene: MusicScene, chain: Chain) -> Figure:
    """Return the chain's voltages over a few seconds, and over one stroke beside it.

    Parameters
    ----------
    scene : MusicScene
        As envlab.judge.music_scene gives it.
    chain : Chain
        The board.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(155)
    axes = fig.subplots(ROWS, 2, sharey="row", width_ratios=(3.2, 1))
    chain_voltages(
        scene.result, chain, list(axes[:, 0]), scene.span_s, offset_s=scene.from_s - scene.span_s[0]
    )
    stroke_voltages(scene.result, list(axes[:, 1]), scene.stroke_s)
    moved_s = scene.from_s - scene.span_s[0]
    for ax in axes[:, 0]:
        ax.axvspan(
            scene.stroke_s[0] + moved_s, scene.stroke_s[1] + moved_s, color=SHADE, zorder=0.4, linewidth=0
        )
    fig.align_ylabels(list(axes[:, 0]))
    return fig


def effects_sheet(
    choice: Choice, specification: Specification, metrics: Sequence[str] = DEFAULT_METRICS
) -> Figure:
    """Return what each swept part buys; at least one key must be swept.

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
    fig = sheet(26 * len(metrics) + 20)
    axes = fig.subplots(len(metrics), len(swept_keys(specification)), squeeze=False)
    part_effects(choice, specification, axes, metrics)
    fig.align_ylabels(list(axes[:, 0]))
    fig.suptitle(
        "●  keeps the flash limit     ×  flashes more     ○  chosen     grey: misses the target",
        fontsize=SMALL_PT,
        color=SOFT,
    )
    return fig


def map_sheet(choice: Choice, specification: Specification) -> Figure:
    """Return the map of beat contrast over both time constants.

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
    fig = sheet(84)
    time_constant_map(choice, specification, fig.subplots())
    return fig


def table_sheet(chain: Chain, lights: Sequence[ClipLight]) -> Figure:
    """Return the table's curve and where the clips lie on it.

    Parameters
    ----------
    chain : Chain
        The board.
    lights : sequence of ClipLight
        Light of a board on its clips, as envlab.judge.light_on_clips gives it.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(92 + 5 * len(lights))
    axes = fig.subplots(3, 1, sharex=True, height_ratios=(38, 30, 4 + 5 * len(lights)))
    scale = chain.level_scale()
    table_curve(chain.brightness_table(), scale, list(axes[:2]))
    clip_levels(lights, scale, axes[2])
    axes[1].set_xlabel("")
    axes[1].tick_params(labelbottom=False)
    heading(axes[2], "Clips: ◆ stated level, bar: where the envelope is 90 % of the time", colour("counts"))
    fig.align_ylabels(list(axes[:2]))
    return fig


def strips_sheet(lights: Sequence[ClipLight]) -> Figure:
    """Return one strip for each clip: its first seconds as light on a screen.

    Parameters
    ----------
    lights : sequence of ClipLight
        Light of a board on its clips, as envlab.judge.light_on_clips gives it.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(9 * len(lights) + 12)
    axes = fig.subplots(len(lights), 1, sharex=True, squeeze=False)[:, 0]
    length_s = min(STRIP_S, max(light.duration_s for light in lights))
    for ax, light in zip(axes, lights, strict=True):
        brightness_strip(light, ax, span_s=(0.0, length_s))
        strip_label(ax, light.clip.label.replace("_", " "))
    for ax in axes[:-1]:
        ax.tick_params(labelbottom=False, bottom=False)
        ax.set_xlabel("")
    return fig


def current_sheet(light: ClipLight, chain: Chain) -> Figure:
    """Return the supply current along one clip."""
    fig = sheet(52)
    current_strip(light.current_a, light.frame_rate_hz, chain.pixels, chain.supply, fig.subplots())
    return fig


def flash_sheet(light: ClipLight, limit_per_s: float) -> Figure:
    """Return the flashes along one clip."""
    fig = sheet(78)
    axes = np.asarray(fig.subplots(2, 1, sharex=True))
    flash_strip(light, light.flashes, list(axes), limit_per_s=limit_per_s)
    return fig
