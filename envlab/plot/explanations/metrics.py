"""Pictures of how each metric is defined, drawn on signals whose answer is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes

from envlab.plot.columns import columns_of
from envlab.plot.palette import INK, SHADE, SOFT, colour
from envlab.plot.style import (
    LIMIT_STYLE,
    LINE_PT,
    beside_heading,
    dress,
    heading,
    limit_line,
    margin_note,
    note,
)
from envlab.study.lessons import BurstLesson, KnownLight
from envlab.study.specification.targets import Target
from envlab.units import FloatArray

_DOTTED = (0, (1, 1.5))


def burst_metrics(lesson: BurstLesson, ax: Axes) -> Axes:
    """Draw a burst with what attack, release and settled ratio are read from; V over ms."""
    settled_v, ripple_db = lesson.response.settled_ratio, lesson.response.ripple_db
    time_s, low, high = columns_of(lesson.held_v, lesson.rate_hz, (0.0, lesson.time_s[-1]), stamp=0.5)
    ax.fill_between(1e3 * time_s, low, high, color=colour("detector"), linewidth=LINE_PT, label="detector")
    end_ms = 1e3 * float(lesson.time_s[-1])
    for share, words in ((1.0, "settled"), (0.9, "90 %"), (0.1, "10 %")):
        ax.axhline(share * settled_v, color=SOFT, linewidth=0.9, linestyle=_DOTTED, label=words)
        margin_note(ax, f"{words} {share * settled_v:.3f} V", share * settled_v, SOFT)
    burst_ms, attack_ms = 1e3 * lesson.burst_s, 1e3 * lesson.response.attack_s
    release_ms = 1e3 * lesson.response.release_s
    ax.axvspan(0, burst_ms, color=SHADE, zorder=0.4, linewidth=0)
    for start, width, height, name in (
        (0.0, attack_ms, 0.9 * settled_v, "attack"),
        (burst_ms, release_ms, 0.1 * settled_v, "release"),
    ):
        ax.plot([start, start + width], [height, height], color=INK, linewidth=2.2, marker="|", label=name)
        note(ax, f"{name} {width:.0f} ms", (start + width / 2, height), offset=(0, 8), ha="center")
    dress(ax, x="time, ms", y="V per volt of peak", grid="none")
    ax.set_xlim(0, end_ms)
    ax.set_ylim(0, 1.15 * settled_v)
    heading(ax, f"Burst of {lesson.frequency_hz:g} Hz out of silence", colour("detector"))
    beside_heading(ax, f"grey: it sounds; ripple at its end {ripple_db:.2f} dB")
    return ax


def lightness_metrics(light: KnownLight, ax: Axes, *, low: float = 5.0, high: float = 95.0) -> Axes:
    """Draw lightness over s with two points of its spread in each whole second; low, high: percentiles."""
    rate_hz = light.frame_rate_hz
    time_s = np.arange(light.lightness.size + 1) / rate_hz
    held = np.append(light.lightness, light.lightness[-1:])
    ax.plot(time_s, held, color=colour("light"), linewidth=LINE_PT, drawstyle="steps-post", label="light")
    window = round(rate_hz)
    for second in range(light.lightness.size // window):
        part = light.lightness[second * window : (second + 1) * window]
        for point, style in ((low, _DOTTED), (high, LIMIT_STYLE)):
            height = float(np.percentile(part, point))
            ax.plot(
                [second + 0.02, second + 0.98],
                [height] * 2,
                color=INK,
                linewidth=1.2,
                linestyle=style,
                label=f"{point:g} %",
            )
    dress(ax, x="time, s", y="L*")
    ax.set_xlim(0, float(time_s[-1]))
    ax.set_ylim(0, 105)
    heading(ax, "Lightness, frame by frame", colour("light"))
    beside_heading(ax, f"black, in each second: dashed its {high:g} %, dotted its {low:g} % point")
    return ax


def latency_by_phase(latency_ms: FloatArray, ax: Axes) -> Axes:
    """Draw the latency of each frame phase, ms, shape (phases,), with its mean.

    Phase as a share of a frame.
    """
    phase = np.arange(latency_ms.size) / latency_ms.size
    ax.bar(
        phase, latency_ms, width=0.7 / latency_ms.size, align="edge", color=colour("latency"), label="latency"
    )
    mean_ms = float(latency_ms.mean())
    ax.axhline(mean_ms, color=INK, linewidth=1.0, linestyle=_DOTTED, label="mean")
    margin_note(ax, f"mean\n{mean_ms:.2f} ms", mean_ms)
    dress(
        ax,
        x="where in a frame the sound begins, share of a frame",
        y="latency, ms",
        y_colour=colour("latency"),
    )
    ax.set_xlim(0, 1)
    heading(ax, "Latency until the first frame that is half bright", colour("latency"))
    return ax


def range_between(clips: Mapping[str, tuple[FloatArray, float]], ax: Axes) -> Axes:
    """Draw how the counts of clips lie in decibel, and the point that counts of each.

    clips: name → (envelope counts above quiescent, the percentile that counts, 0..100).
    """
    edges_db = np.arange(0.0, 62.0, 1.0)
    for row, (name, (counts, percentile)) in enumerate(clips.items()):
        spread_db = 20 * np.log10(np.maximum(counts, 1.0))
        share, _ = np.histogram(spread_db, edges_db)
        heights = 0.65 * share / max(share.max(), 1)
        ax.bar(
            edges_db[:-1], heights, width=0.9, bottom=-row, align="edge", color=colour("counts"), label=name
        )
        at_db = 20 * np.log10(max(float(np.percentile(counts, percentile)), 1.0))
        ax.plot([at_db, at_db], [-row, -row + 0.9], color=INK, linewidth=1.6, label=f"{percentile:g} %")
        words = f"{percentile:g} % point: {10 ** (at_db / 20):.0f} counts"
        right = at_db > edges_db[-1] / 2
        note(ax, words, (at_db, -row + 0.84), offset=(-5 if right else 5, 0), ha="right" if right else "left")
    dress(ax, x="envelope, dB over one count", grid="x")
    ax.set_yticks([-row + 0.3 for row in range(len(clips))], list(clips))
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.set_xlim(0, 62)
    heading(ax, "How much of each clip is how loud at the converter", colour("counts"))
    return ax


def clipped_wave(
    preamp_v: FloatArray, rate_hz: float, limits_v: tuple[float, float], ax: Axes, *, clipped_share: float
) -> Axes:
    """Draw a preamp's output, V round its bias, over ms; limits_v: (low, high), grey where it is there."""
    time_ms = 1e3 * np.arange(preamp_v.size) / rate_hz
    low_v, high_v = limits_v
    at_limit = (preamp_v <= low_v + 1e-9) | (preamp_v >= high_v - 1e-9)
    ax.fill_between(
        time_ms, low_v, high_v, where=at_limit.tolist(), color=SHADE, step="mid", linewidth=0, label="clipped"
    )
    ax.plot(time_ms, preamp_v, color=colour("preamp"), linewidth=LINE_PT, label="preamp")
    for limit_v in limits_v:
        limit_line(ax, limit_v)
    dress(ax, x="time, ms", y="V")
    ax.set_xlim(0, float(time_ms[-1]))
    heading(ax, "Preamp output round its bias", colour("preamp"))
    beside_heading(ax, f"grey: at a limit, {100 * clipped_share:.1f} % of all samples", INK)
    return ax


def violation_line(target: Target, values: Sequence[float], ax: Axes) -> Axes:
    """Draw the violation, without unit, of a target over values of its metric, in the metric's unit."""
    at = np.asarray(values, dtype=np.float64)
    ax.plot(at, target.violation(at), color=colour("light"), linewidth=LINE_PT, label="violation")
    limit_line(ax, target.limit, vertical=True)
    note(ax, f"limit {target.limit:g}", (target.limit, 0.9), coords=("data", "axes fraction"), offset=(5, 0))
    dress(ax, x=f"{target.metric} (scale {target.scale:g})", y="violation", grid="both")
    ax.set_xlim(float(at.min()), float(at.max()))
    ax.set_ylim(bottom=0)
    heading(ax, "What a miss counts", colour("light"))
    return ax
