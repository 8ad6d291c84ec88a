"""Whole pictures of the export: the table over the clips' levels, its steps, current, flashes, latency.

Pack.
"""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from envlab.chain import Chain
from envlab.light.power.battery import Pack, supply_power_w
from envlab.light.power.wiring import WireDrop
from envlab.light.timing import LatencyBudget
from envlab.plot.palette import colour
from envlab.plot.strips import current_strip, flash_strip
from envlab.plot.style import heading, limit_line, sheet
from envlab.plot.table.table_curve import table_curve
from envlab.plot.table.table_use import (
    hours_in_the_cold,
    latency_parts,
    level_histograms,
    lightness_steps,
    lit_pixels_current,
    volts_along,
)
from envlab.study.chosen_on_clips import ClipLight


def curve_sheet(chain: Chain, lights: Sequence[ClipLight]) -> Figure:
    """Return the table's curve over sound level, with the levels that each clip really has under it.

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
    fig = sheet(88 + 9 * len(lights))
    axes = fig.subplots(3, 1, sharex=True, height_ratios=(34, 26, 4 + 9 * len(lights)))
    scale = chain.level_scale()
    table_curve(chain.brightness_table(), scale, list(axes[:2]))
    level_histograms(lights, scale, axes[2], axes[0].get_xlim())
    for at_db in (chain.brightness.floor_db_spl, chain.brightness.ceiling_db_spl):
        limit_line(axes[2], at_db, vertical=True)
    axes[1].set_xlabel("")
    axes[1].tick_params(labelbottom=False)
    heading(axes[2], "How much of each clip is how loud", colour("counts"))
    fig.align_ylabels(list(axes[:2]))
    return fig


def steps_sheet(chain: Chain, *, largest_lstar: float | None = None) -> Figure:
    """Return the size of each step of light, count by count.

    Parameters
    ----------
    chain : Chain
        The board.
    largest_lstar : float or None
        What is asked of the largest step, L*; None: nothing.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(52)
    lightness_steps(
        chain.brightness_table(), chain.level_scale(), fig.subplots(), largest_lstar=largest_lstar
    )
    return fig


def along_sheet(light: ClipLight, chain: Chain, limit_per_s: float) -> Figure:
    """Return current, luminance and flashes along one clip, on one time axis.

    Parameters
    ----------
    light : ClipLight
        Light of a board on one clip.
    chain : Chain
        The board.
    limit_per_s : float
        Flashes that are allowed in any second.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(118)
    axes = fig.subplots(3, 1, sharex=True)
    current_strip(light.current_a, light.frame_rate_hz, chain.pixels, chain.supply, axes[0])
    flash_strip(light, light.flashes, list(axes[1:]), limit_per_s=limit_per_s)
    axes[0].set_xlabel("")
    axes[0].tick_params(labelbottom=False)
    heading(axes[0], light.clip.label.replace("_", " "), colour("current"))
    fig.align_ylabels(list(axes))
    return fig


def latency_sheet(budget: LatencyBudget) -> Figure:
    """Return the latency from drum to light, part after part.

    Parameters
    ----------
    budget : LatencyBudget
        As envlab.judge.board_latency gives it.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(62)
    latency_parts(budget, fig.subplots())
    return fig


def pixels_sheet(chain: Chain) -> Figure:
    """Return the supply current over how many pixels are lit, limited and not.

    Parameters
    ----------
    chain : Chain
        The board.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(58)
    lit_pixels_current(chain.pixels, chain.supply, chain.duty_limit, fig.subplots())
    return fig


def pack_sheet(light: ClipLight, chain: Chain, pack: Pack, drops: Sequence[tuple[str, WireDrop]]) -> Figure:
    """Return the hours that a pack gives a clip's mean current, and the volts along the pixels' wire.

    Parameters
    ----------
    light : ClipLight
        Light of a board on one clip.
    chain : Chain
        The board.
    pack : Pack
        The cells.
    drops : sequence
        Name, and what envlab.lights.wire_drop gives.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(58)
    hours, volts = fig.subplots(1, 2, width_ratios=(1, 1.1))
    hours_in_the_cold(supply_power_w(float(light.current_a.mean()), chain.supply), pack, hours)
    heading(hours, f"Hours at {light.current_a.mean():.2f} A on average")
    volts_along(drops, volts)
    heading(volts, "All pixels at the duty limit")
    return fig
