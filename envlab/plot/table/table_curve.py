"""The brightness table's curve over sound level and counts, and where the clips lie on it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from envlab.light.curve import LevelScale
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.plot.palette import INK, colour
from envlab.plot.style import LINE_PT, TEXT_PT, dress, limit_line, note
from envlab.study.chosen_on_clips import ClipLight


def table_curve(table: LookupTable, scale: LevelScale, axes: Sequence[Axes]) -> Sequence[Axes]:
    """Draw L* and duty of every entry over the level of a steady 1 kHz tone, into two axes.

    Floor and ceiling are marked; counts stand above the upper axes. Entry 0, which has no level, is left out.
    """
    counts = table.entry_counts[1:]
    level_db = np.array([scale.level_db_spl(float(count)) for count in counts])
    top = table.brightest_code / table.full_code
    upper, lower = axes
    for ax, height, quantity in (
        (upper, lightness_cie1976(table.duty[1:] / top), "light"),
        (lower, table.duty[1:], "duty"),
    ):
        ax.plot(
            level_db,
            height,
            color=colour(quantity),
            linewidth=LINE_PT,
            drawstyle="steps-post",
            label=quantity,
        )
        ax.plot(level_db, height, ".", color=colour(quantity), markersize=3)
    asked = table.count_map.in_db_spl(scale)
    span_db = asked.ceiling_db_spl - asked.floor_db_spl
    dress(upper, y="lightness seen, L*", grid="both", y_colour=colour("light"))
    dress(lower, x="level of a steady 1 kHz tone, dB SPL", y="duty", grid="both", y_colour=colour("duty"))
    for ax in axes:
        limit_line(ax, asked.floor_db_spl, vertical=True)
        limit_line(ax, asked.ceiling_db_spl, vertical=True)
        ax.set_xlim(asked.floor_db_spl - 0.3 * span_db, asked.ceiling_db_spl + 0.3 * span_db)
    upper.set_ylim(0, 108)
    lower.set_ylim(0, 1.15 * top)
    upper.tick_params(labelbottom=False)
    note(
        upper,
        f"floor\n{round(asked.floor_db_spl, 1):g} dB",
        (asked.floor_db_spl, 80),
        offset=(-5, 0),
        ha="right",
    )
    note(upper, f"ceiling\n{round(asked.ceiling_db_spl, 1):g} dB", (asked.ceiling_db_spl, 30), offset=(5, 0))
    note(
        lower,
        f"duty limit {table.duty_limit:.3f}",
        (asked.ceiling_db_spl, top),
        offset=(5, -8),
        colour=colour("duty"),
    )
    _counts_above(upper, scale, table.full_scale_counts)
    return axes


def _counts_above(ax: Axes, scale: LevelScale, most: int) -> None:
    low, high = ax.get_xlim()
    marks = [m * 10**d for d in range(5) for m in (1, 2, 5) if m * 10**d <= most]
    level = {mark: scale.level_db_spl(mark) for mark in marks}
    seen = [mark for mark in marks if low <= level[mark] <= high]
    above = ax.twiny()
    dress(above, grid="none")
    above.set_xlim(low, high)
    above.spines["top"].set_visible(True)
    for side in ("left", "bottom"):
        above.spines[side].set_visible(False)
    above.set_xticks([level[mark] for mark in seen], [str(mark) for mark in seen])
    above.set_xlabel("envelope, counts above quiescent", fontsize=TEXT_PT, color=INK)


def clip_levels(lights: Sequence[ClipLight], scale: LevelScale, ax: Axes) -> Axes:
    """Draw where the clips lie: a diamond at the stated level, a bar where the envelope is 90 % of the time.

    The bar runs from the 5 % to the 95 % point of the frames' envelope, said as the level of a steady tone;
    dotted where the envelope is below one count and so has no level.
    """
    dress(ax, x="level, dB SPL", grid="x")
    hue = colour("counts")
    one_count_db = scale.level_db_spl(1.0)
    left_db = ax.get_xlim()[0]
    for row, light in enumerate(lights):
        low_db, high_db = envelope_span_db(light, scale)
        if high_db > one_count_db:
            start_db = max(low_db, one_count_db)
            ax.plot([start_db, high_db], [-row, -row], color=hue, linewidth=3, label="envelope")
        if low_db < one_count_db:
            ax.plot([left_db, one_count_db], [-row, -row], color=hue, linewidth=1.2, linestyle=(0, (1, 2)))
        level_db = light.clip.level_db_spl
        if level_db >= left_db:
            ax.plot([level_db], [-row], "D", color=INK, markersize=4, zorder=4, label="level")
        else:
            ax.plot([left_db], [-row], "<", color=INK, markersize=5, zorder=4, clip_on=False, label="level")
    ax.set_yticks(
        [-row for row in range(len(lights))], [light.clip.label.replace("_", " ") for light in lights]
    )
    ax.tick_params(axis="y", length=0, pad=9)
    ax.spines["left"].set_visible(False)
    ax.set_ylim(-len(lights) + 0.4, 0.6)
    return ax


def envelope_span_db(light: ClipLight, scale: LevelScale) -> tuple[float, float]:
    """Return the 5 % and 95 % points of a clip's envelope as levels in dB SPL; −inf for no counts."""
    low, high = np.percentile(light.envelope_counts, (5, 95))
    return scale.level_db_spl(float(low)), scale.level_db_spl(float(high))
