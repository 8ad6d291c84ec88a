"""Strips along a clip: how bright, how much current, how many flashes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from matplotlib.axes import Axes

from envlab.light.flashes.flash import FlashReport
from envlab.light.lightness import srgb_encode
from envlab.light.pixels import Pixels, Supply, full_current_a
from envlab.plot.columns import column_starts
from envlab.plot.palette import INK, SHADE, colour
from envlab.plot.style import (
    LINE_PT,
    beside_heading,
    dress,
    heading,
    limit_line,
    margin_note,
    no_ticks,
    note,
)
from envlab.units import FloatArray, IntArray

# Linear light of the strip's pixels: a warm lantern. Only its hue; the time course is the luminance.
LANTERN = (1.0, 0.72, 0.36)


class Light(Protocol):
    """What a ChainResult and a ClipLight both have."""

    @property
    def relative_luminance(self) -> FloatArray:
        """Frames' luminance, 0 to 1, shape (frames,)."""
        ...

    @property
    def frame_rate_hz(self) -> float:
        """Frames a second."""
        ...


def brightness_strip(
    light: Light,
    ax: Axes,
    *,
    span_s: tuple[float, float] | None = None,
    offset_s: float = 0.0,
    colour_linear: tuple[float, float, float] = LANTERN,
) -> Axes:
    """Draw time as an image: each frame a column in the colour that a screen shows for its luminance.

    Luminance times colour_linear (0 to 1 each) is coded for the screen after sRGB [IEC61966-2-1]. span_s: the
    part to show; offset_s is added to the times on the axis.
    """
    rate_hz = light.frame_rate_hz
    luminance = light.relative_luminance
    start_s, end_s = span_s or (0.0, luminance.size / rate_hz)
    first, last = round(start_s * rate_hz), min(luminance.size, round(end_s * rate_hz))
    screen = srgb_encode(luminance[first:last, None] * np.array(colour_linear))
    extent = (first / rate_hz + offset_s, last / rate_hz + offset_s, 0.0, 1.0)
    ax.imshow(screen[None], aspect="auto", interpolation="nearest", extent=extent)
    dress(ax, x="time, s", grid="none")
    no_ticks(ax, y=True)
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.set_xlim(extent[0], start_s + offset_s + (end_s - start_s))
    return ax


def current_strip(
    current_a: FloatArray, frame_rate_hz: float, pixels: Pixels, supply: Supply, ax: Axes
) -> Axes:
    """Draw the supply current of a clip's frames, A, shape (frames,), with mean and converter's limit."""
    hue = colour("current")
    _held(ax, current_a, frame_rate_hz, "current")
    dress(ax, y="supply current, A", x="time, s", y_colour=hue)
    limit_line(ax, supply.limit_a)
    mean_a = float(current_a.mean())
    ax.axhline(mean_a, color=INK, linewidth=1.0, linestyle=(0, (1, 1.5)), label="mean")
    ax.set_xlim(0, current_a.size / frame_rate_hz)
    ax.set_ylim(0, 1.3 * max(supply.limit_a, float(current_a.max())))
    words = f"the {supply.name}'s limit: {supply.limit_a:g} A"
    if supply.margin:
        words += f", planned with {supply.usable_a:.3g} A"
    full_a = full_current_a(pixels, volts=supply.volts)
    if full_a > supply.limit_a:
        words += f"; without the duty limit all {pixels.count} pixels would take {full_a:.3g} A"
    note(ax, words, (0, supply.limit_a), coords=("axes fraction", "data"), offset=(3, 7))
    margin_note(ax, f"mean\n{mean_a:.2f} A", mean_a)
    return ax


def flash_strip(
    light: Light, flashes: FlashReport, axes: Sequence[Axes], *, limit_per_s: float = 3.0
) -> Sequence[Axes]:
    """Draw luminance, and the flashes in the second that begins with each frame, into two axes.

    flashes: of the same frames. The worst second is shaded.
    """
    upper, lower = axes
    luminance = light.relative_luminance
    rate_hz = light.frame_rate_hz
    _held(upper, luminance, rate_hz, "light")
    _held(lower, flashes.per_second, rate_hz, "flashes")
    dress(upper, y="Y / Y full")
    dress(lower, x="time, s", y="flashes in 1 s")
    heading(upper, "Luminance over the brightest state", colour("light"))
    heading(lower, "Flashes in the second that begins here", colour("flashes"))
    limit_line(lower, limit_per_s)
    margin_note(lower, f"at most\n{limit_per_s:g}", limit_per_s)
    top = max(limit_per_s, float(flashes.per_second.max(initial=0))) + 1
    lower.set_ylim(0, top)
    lower.set_yticks(np.arange(0, top, max(1, round(top / 5))))
    upper.set_ylim(0, 1.05)
    upper.tick_params(labelbottom=False)
    for ax in axes:
        ax.set_xlim(0, max(luminance.size / rate_hz, 1e-3))
        if flashes.worst_per_s:
            ax.axvspan(flashes.worst_start_s, flashes.worst_end_s, color=SHADE, zorder=0.4, linewidth=0)
    if flashes.worst_per_s:
        plural = "" if flashes.worst_per_s == 1 else "es"
        beside_heading(upper, f"shaded: the worst second, {flashes.worst_per_s} flash{plural}", INK)
    return axes


def _held(ax: Axes, values: FloatArray | IntArray, rate_hz: float, quantity: str) -> None:
    """Draw values that hold for a frame each, filled down to 0; of a long clip the highest of each column."""
    starts = column_starts(values.size, 1500)
    high = np.maximum.reduceat(np.asarray(values, dtype=np.float64), starts)
    time_s = np.append(starts, values.size) / rate_hz
    high = np.append(high, high[-1:])
    hue = colour(quantity)
    ax.plot(time_s, high, color=hue, linewidth=LINE_PT, drawstyle="steps-post", label=quantity)
    ax.fill_between(time_s, high, step="post", color=hue, alpha=0.22, linewidth=0)


def strip_label(ax: Axes, text: str) -> None:
    """Write a strip's name to its left."""
    ax.set_ylabel(text, rotation=0, ha="right", va="center", fontsize=8.0, color=INK)
