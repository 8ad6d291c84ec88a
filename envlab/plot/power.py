"""What feeds the lights, drawn: one period of their pulses, and the loudest beat as the night goes on."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from envlab.plot.palette import INK, SHADE, colour
from envlab.plot.style import LINE_PT, beside_heading, dress, heading, limit_line, margin_note, note, sheet
from envlab.study.pack_words import PackVerdict
from envlab.study.supply_verdict import SupplyVerdict


class WhatFeeds(Protocol):
    """A verdict on what feeds a board, as power_verdict.PowerVerdict is."""

    @property
    def supply(self) -> SupplyVerdict:
        """The pulses."""

    @property
    def cold(self) -> PackVerdict | None:
        """The cells at the coldest."""


def power_sheet(verdict: WhatFeeds) -> Figure:
    """Return one period of the pulses over the rail, and beside it the loudest beat over the hours.

    Parameters
    ----------
    verdict : PowerVerdict
        What feeds a board.

    Returns
    -------
    matplotlib Figure
    """
    fig = sheet(54)
    if verdict.cold is None:
        current, rail = fig.subplots(2, 1, sharex=True, height_ratios=(1.4, 1))
    else:
        places = fig.subplot_mosaic([["current", "pack"], ["rail", "pack"]], height_ratios=(1.4, 1))
        current, rail = places["current"], places["rail"]
        loudest_beat(verdict.cold, places["pack"])
    pulse_current(verdict.supply, current)
    pulse_rail(verdict.supply, rail)
    current.tick_params(labelbottom=False)
    current.set_xlabel("")
    return fig


def pulse_current(supply: SupplyVerdict, ax: Axes) -> Axes:
    """Draw what pixels and controller ask over one period, A, and what the converter gives of it."""
    scale, unit = _scale(supply)
    period = (supply.current.high_s + supply.current.low_s) * scale
    high = supply.current.high_s * scale
    low_a = supply.current.low_a + supply.controller_a
    hue = colour("current")
    asked_a = [supply.peak_a, supply.peak_a, low_a, low_a]
    ax.plot([0, high, high, period], asked_a, color=hue, linewidth=LINE_PT, label="asked")
    if supply.trips:
        ax.fill_between([0, high], supply.limit_a, supply.peak_a, color=SHADE, linewidth=0)
    limit_line(ax, supply.limit_a)
    mean_a = supply.current.mean_a + supply.controller_a
    ax.axhline(mean_a, color=INK, linewidth=1.0, linestyle=(0, (1, 1.5)), label="mean")
    dress(ax, x=f"time, {unit}", y="current, A", y_colour=hue)
    heading(ax, "One period of the pixels' PWM", hue)
    note(
        ax,
        f"limit {supply.limit_a:g} A, mean {mean_a:.2f} A",
        (period, supply.limit_a),
        offset=(-4, 7),
        ha="right",
    )
    ax.set_xlim(0, period)
    ax.set_ylim(0, 1.2 * max(supply.peak_a, supply.limit_a))
    return ax


def pulse_rail(supply: SupplyVerdict, ax: Axes) -> Axes:
    """Draw the rail over the same period, V: down during a pulse beyond the limit, then filled again."""
    scale, unit = _scale(supply)
    period_s = supply.current.high_s + supply.current.low_s
    low_a = supply.current.low_a + supply.controller_a
    lowest_v = supply.volts - supply.droop_v
    spare_a = supply.limit_a - low_a
    filled_s = supply.current.high_s + (supply.droop_v * supply.bulk_farad / spare_a if spare_a > 0 else 0.0)
    times = np.array([0.0, supply.current.high_s, min(filled_s, period_s), period_s]) * scale
    hue = colour("preamp")
    ax.plot(
        times,
        [supply.volts, lowest_v, supply.volts, supply.volts],
        color=hue,
        linewidth=LINE_PT,
        label="rail",
    )
    limit_line(ax, supply.volts - supply.asked_v)
    dress(ax, x=f"time, {unit}", y="rail, V", y_colour=hue)
    heading(ax, "Rail", hue)
    beside_heading(ax, f"dashed: at least {supply.volts - supply.asked_v:.3g} V is asked")
    ax.set_xlim(0, period_s * scale)
    span_v = 1.6 * max(supply.droop_v, supply.asked_v)
    ax.set_ylim(max(0.0, supply.volts - span_v), supply.volts + 0.15 * span_v)
    return ax


def loudest_beat(pack: PackVerdict, ax: Axes) -> Axes:
    """Draw pack and rail on the loudest beat over the hours, V, and where the controller resets."""
    course = pack.course
    for volts, hue, name in ((course.pack_v, "detector", "pack"), (course.rail_v, "preamp", "rail")):
        ax.plot(course.hours, volts, color=colour(hue), linewidth=LINE_PT, label=name)
        margin_note(ax, name, float(np.nan_to_num(volts[-1])), colour=colour(hue))
    limit_line(ax, pack.brown_out_v)
    note(ax, f"controller resets: {pack.brown_out_v:.2g} V", (0, pack.brown_out_v), offset=(4, -9))
    dress(ax, x="hours from a full pack", y="V on the loudest beat")
    heading(ax, f"Loudest beat, {pack.temperature_c:g} °C".replace("-", "−"))
    top_v = float(np.nanmax(np.concatenate([course.pack_v, course.rail_v])))
    ax.set_ylim(0.8 * min(pack.brown_out_v, float(course.rail_v.min()) or pack.brown_out_v), 1.06 * top_v)
    ax.set_xlim(0, max(float(course.hours[-1]), 0.1))
    return ax


def _scale(supply: SupplyVerdict) -> tuple[float, str]:
    period_s = supply.current.high_s + supply.current.low_s
    return (1e3, "ms") if period_s >= 1e-3 else (1e6, "µs")
