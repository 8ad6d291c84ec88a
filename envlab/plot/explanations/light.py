"""Pictures of how the light works: numbers that are even or look it.

Ripple that frames turn into ripple_aliasing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from numpy.typing import ArrayLike

from envlab.light.lightness import lightness_cie1976, srgb_encode
from envlab.metrics.ripple_aliasing import Breathing
from envlab.plot.palette import INK, SOFT, colour
from envlab.plot.strips import LANTERN
from envlab.plot.style import LINE_PT, beside_heading, dress, heading, no_ticks, note


def ramp_strip(luminance: ArrayLike, ax: Axes, name: str) -> Axes:
    """Draw a ramp of relative luminance (steps,), 0..1, as blocks in the colours that a screen shows."""
    steps = np.asarray(luminance, dtype=np.float64)
    for place, screen in enumerate(srgb_encode(steps[:, None] * np.array(LANTERN))):
        ax.add_patch(Rectangle((place, 0), 1, 1, color=tuple(screen), linewidth=0))
    ax.set(xlim=(0, steps.size), ylim=(0, 1))
    dress(ax, grid="none")
    no_ticks(ax, x=True, y=True)
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.set_ylabel(name, rotation=0, ha="right", va="center", fontsize=8.0, color=INK)
    return ax


def ramp_lightness(ramps: Mapping[str, ArrayLike], ax: Axes) -> Axes:
    """Draw how bright the steps of ramps look: L* over the step; ramps: relative luminance 0..1 by name."""
    for (name, luminance), (style, mark, ink) in zip(
        ramps.items(), (("--", "s", SOFT), ("-", "o", colour("light"))), strict=False
    ):
        lightness = lightness_cie1976(luminance)
        at = np.arange(lightness.size)
        ax.plot(at, lightness, style, color=ink, marker=mark, markersize=3.5, linewidth=LINE_PT, label=name)
        middle = lightness.size // 3
        note(ax, name, (float(at[middle]), float(lightness[middle])), offset=(7, -7), colour=ink)
    dress(ax, x="step", y="lightness seen, L*", grid="both", y_colour=colour("light"))
    ax.set_ylim(0, 105)
    heading(ax, "How bright each step looks", colour("light"))
    return ax


def read_cycle(note_read: Breathing, ax: Axes, frame_rate_hz: float, *, frames: int = 12) -> Axes:
    """Draw the detector's counts over the first frames of a steady note, and what frames read; over ms."""
    span_s = frames / frame_rate_hz
    rate_hz = note_read.frequency_hz * note_read.cycle_counts.size
    steps = np.arange(int(span_s * rate_hz))
    counts = note_read.cycle_counts[steps % note_read.cycle_counts.size]
    ax.plot(
        1e3 * (steps + 0.5) / rate_hz, counts, color=colour("detector"), linewidth=LINE_PT, label="detector"
    )
    read = note_read.cycle_counts[(note_read.phase[:frames] * note_read.cycle_counts.size).astype(int)]
    at_ms = 1e3 * np.arange(frames) / frame_rate_hz
    ax.plot(at_ms, read, "o", color=INK, markersize=4, label="frames")
    dress(ax, x="time, ms", y="counts above quiescent")
    ax.set_xlim(-2, 1e3 * span_s)
    heading(ax, f"A note of {note_read.frequency_hz:g} Hz", colour("detector"))
    beside_heading(ax, "● read for a frame", INK)
    return ax


def frames_of_note(note_read: Breathing, ax: Axes, frame_rate_hz: float) -> Axes:
    """Draw the lightness of every frame of a steady note: L* over s, and how far it moves."""
    time_s = np.arange(note_read.lightness.size) / frame_rate_hz
    ax.plot(
        time_s,
        note_read.lightness,
        color=colour("light"),
        linewidth=1.0,
        drawstyle="steps-post",
        label="light",
    )
    dress(ax, x="time, s", y="L*")
    ax.set_xlim(0, float(time_s[-1]))
    middle = 0.5 * (note_read.lightness.max() + note_read.lightness.min())
    ax.set_ylim(middle - 4, middle + 4)
    heading(ax, "Light, frame by frame", colour("light"))
    beside_heading(ax, f"moves by {note_read.ripple_aliasing_lstar:.2g} L*", INK)
    return ax


def ripple_aliasing_by_note(
    frequencies_hz: Sequence[float], ripple_aliasing_lstar: Mapping[str, Sequence[float]], ax: Axes
) -> Axes:
    """Draw how far a steady note makes the light move: L* over Hz; one line for each name."""
    inks = (colour("light"), colour("detector"), SOFT)
    for (name, values), ink, style in zip(
        ripple_aliasing_lstar.items(), inks, ("-", "--", ":"), strict=False
    ):
        ax.plot(frequencies_hz, values, style, color=ink, linewidth=LINE_PT, label=name)
        highest = int(np.argmax(values))
        note(ax, name, (frequencies_hz[highest], values[highest]), offset=(8, 2), colour=ink)
    dress(ax, x="frequency of the note, Hz", y="ripple aliasing, L*", grid="both")
    ax.set_ylim(0, 1.15 * max(max(values) for values in ripple_aliasing_lstar.values()) + 0.1)
    heading(ax, "Which notes ripple aliasing", colour("light"))
    return ax
