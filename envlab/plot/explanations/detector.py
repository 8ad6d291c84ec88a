"""Pictures of how the detector works: the climb in steps, one cycle of it, what lies between the samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes

from envlab.plot.columns import columns_of
from envlab.plot.palette import INK, SHADE, SOFT, colour
from envlab.plot.style import LIMIT_STYLE, LINE_PT, beside_heading, dress, heading, margin_note, note
from envlab.study.lessons import BurstLesson, SamplesLesson

# Words and marks of a level stand this far inside the right edge.
_EDGE = 0.985


def climb(lesson: BurstLesson, ax: Axes, *, formula_s: float) -> Axes:
    """Draw the capacitor's way up on a tone, beside the way on a steady voltage; V over ms.

    formula_s: what 2.2·R·C promises, s. The 90 % of each end are marked where they are reached.
    """
    on = lesson.time_s < lesson.burst_s
    span_s = (0.0, lesson.burst_s)
    time_s, low, high = columns_of(lesson.drive_v, lesson.rate_hz, span_s)
    ax.fill_between(1e3 * time_s, low, high, color=colour("rectified"), linewidth=0.5, label="rectified")
    for held_v, style, ink, words in (
        (lesson.on_battery_v, LIMIT_STYLE, SOFT, "on a steady voltage"),
        (lesson.held_v, "-", colour("detector"), "detector"),
    ):
        time_s, low, high = columns_of(held_v, lesson.rate_hz, span_s, stamp=0.5)
        ax.plot(1e3 * time_s, (low + high) / 2, color=ink, linestyle=style, linewidth=LINE_PT, label=words)
    settled_v = lesson.response.settled_ratio
    attack_ms = 1e3 * lesson.response.attack_s
    ax.plot([attack_ms], [0.9 * settled_v], "o", color=colour("detector"), markersize=5, label="attack")
    ax.axvline(1e3 * formula_s, color=INK, linewidth=1.0, linestyle=(0, (1, 1.5)), label="formula")
    dress(ax, x="time, ms", y="V per volt of peak", grid="both")
    ax.set_xlim(0, 1e3 * lesson.burst_s)
    ax.set_ylim(0, 1.18)
    heading(ax, f"A tone of {lesson.frequency_hz:g} Hz out of silence", colour("detector"))
    last_v = float(lesson.on_battery_v[on][-1])
    note(
        ax,
        "on a steady voltage",
        (_EDGE * 1e3 * lesson.burst_s, last_v),
        offset=(0, 8),
        colour=SOFT,
        ha="right",
    )
    note(ax, f"2.2·R·C = {1e3 * formula_s:.1f} ms", (1e3 * formula_s, 0.06), offset=(4, 0))
    words = f"90 % of where it settles: {attack_ms:.1f} ms"
    note(ax, words, (attack_ms, 0.9 * settled_v), offset=(6, -11), colour=colour("detector"))
    return ax


def one_cycle(lesson: BurstLesson, ax: Axes) -> Axes:
    """Draw the last cycle of the burst, V over ms; it charges where the drive stands above the capacitor."""
    cycle_s = 1 / lesson.frequency_hz
    start_s = lesson.burst_s - cycle_s
    first, last = (round(t * lesson.rate_hz) for t in (start_s, lesson.burst_s))
    drive_v, held_v = lesson.drive_v[first:last], lesson.held_v[first:last]
    time_ms = 1e3 * (np.arange(last - first) + 0.5) / lesson.rate_hz
    above = drive_v > held_v
    ax.fill_between(
        time_ms, 0, 1.18, where=above.tolist(), color=SHADE, step="mid", linewidth=0, label="charging"
    )
    ax.plot(time_ms, drive_v, color=colour("rectified"), linewidth=LINE_PT, label="rectified")
    ax.plot(time_ms, held_v, color=colour("detector"), linewidth=LINE_PT, label="detector")
    dress(ax, x="time, ms")
    ax.set_xlim(0, 1e3 * cycle_s)
    ax.set_ylim(0, 1.18)
    heading(ax, "One cycle, settled")
    note(
        ax,
        f"grey: it charges,\n{100 * lesson.conducting_share:.0f} % of the time",
        (0.5e3 * cycle_s, 0.2),
        ha="center",
    )
    return ax


def attack_over_formula(ratios: Sequence[float], factors: Mapping[str, Sequence[float]], ax: Axes) -> Axes:
    """Draw by how much the attack is longer than 2.2·R·C, over release time constant to attack time constant.

    ratios: without unit, above 0. factors: one line for each name, without unit, as many values as ratios.
    """
    for (name, values), style in zip(factors.items(), ("-", "--", ":"), strict=False):
        ax.plot(
            ratios,
            values,
            style,
            color=colour("detector"),
            linewidth=LINE_PT,
            marker="o",
            markersize=3,
            label=name,
        )
        margin_note(ax, name, values[-1], colour("detector"))
    ax.axhline(1.0, color=INK, linewidth=1.0, linestyle=LIMIT_STYLE, label="formula")
    note(ax, "what 2.2·R·C says", (ratios[0], 1.0), offset=(0, -8))
    dress(ax, x="release resistor over attack resistor", y="attack / 2.2·R·C", grid="both")
    ax.set_xscale("log")
    ax.set_ylim(bottom=0)
    heading(ax, "How much longer the attack is than the formula says", colour("detector"))
    return ax


def between_samples(
    lesson: SamplesLesson, axes: Sequence[Axes], span_s: tuple[float, float]
) -> Sequence[Axes]:
    """Draw samples and the wave between them, and what the capacitor makes of each; V over ms, two axes."""
    upper, lower = axes
    sample_hz, fine_hz = lesson.sample_rate_hz, lesson.fine_rate_hz
    for ax, signals, stamp in (
        (
            upper,
            (
                (lesson.wave_v, fine_hz, "preamp", "wave"),
                (lesson.samples_v, sample_hz, "pressure", "samples"),
            ),
            0.0,
        ),
        (
            lower,
            (
                (lesson.held_wave_v, fine_hz, "detector", "held, of the wave"),
                (lesson.held_samples_v, sample_hz, "pressure", "held, of the samples"),
            ),
            0.5,
        ),
    ):
        for signal, rate_hz, hue, name in signals:
            first, last = (round(t * rate_hz) for t in span_s)
            time_ms = 1e3 * (np.arange(first, last) + stamp) / rate_hz
            marks = "o" if name == "samples" else ""
            style = "" if name == "samples" else "--" if "samples" in name else "-"
            ax.plot(
                time_ms, signal[first:last], color=colour(hue), linestyle=style, marker=marks,
                markersize=4, linewidth=LINE_PT, label=name,
            )  # fmt: skip
        ax.set_xlim(1e3 * span_s[0], 1e3 * span_s[1])
    dress(upper, y="V")
    dress(lower, x="time, ms", y="V")
    heading(upper, f"Samples, {sample_hz / 1e3:g} kHz, and the wave that passes through them")
    heading(lower, "What the hold capacitor makes of the wave", colour("detector"))
    beside_heading(lower, "dashed: of the samples taken as steps")
    upper.tick_params(labelbottom=False)
    return axes


def errors_by_rate(errors: Mapping[float, float], ax: Axes, *, limit: float = 2e-3) -> Axes:
    """Draw the worst error of the held voltage, a share of the largest, over the rate of computing in Hz.

    errors: rate → share. limit: the share that the model keeps, drawn dashed.
    """
    rates, shares = list(errors), [100 * share for share in errors.values()]
    at = np.arange(len(rates))
    ax.bar(at, shares, width=0.55, color=colour("detector"), label="error")
    for place, share in zip(at, shares, strict=True):
        note(ax, f"{share:.2g} %", (float(place), share), offset=(0, 7), ha="center")
    ax.axhline(100 * limit, color=INK, linewidth=1.0, linestyle=LIMIT_STYLE, label="limit")
    margin_note(ax, f"the model\nkeeps to\n{100 * limit:g} %", 100 * limit)
    dress(ax, x="rate at which the circuit is computed, kHz", y="worst error, % of the largest")
    ax.set_yscale("log")
    ax.set_ylim(min(100 * limit, *shares) / 2, 3 * max(shares))
    ax.set_xticks(at, [f"{rate / 1e3:g}" for rate in rates])
    heading(ax, "How far off a coarse computation is", colour("detector"))
    return ax
