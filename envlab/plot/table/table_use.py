"""What a table does on the costume: levels that meet it, its steps, latency, current, hours, volts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from envlab.light.curve import LevelScale
from envlab.light.lightness import lightness_cie1976
from envlab.light.pixels import Pixels, Supply, pattern_current_a
from envlab.light.power.battery import Pack, battery_hours
from envlab.light.power.wiring import WireDrop
from envlab.light.table import LookupTable
from envlab.light.timing import SOUND_FIRST_ACCEPTED_S, SOUND_FIRST_DETECTED_S, LatencyBudget, LatencyPart
from envlab.plot.palette import INK, SHADE, SOFT, colour
from envlab.plot.style import LINE_PT, dress, limit_line, margin_note, note
from envlab.study.chosen_on_clips import ClipLight
from envlab.units import FloatArray

BIN_DB = 1.0


def level_histograms(
    lights: Sequence[ClipLight], scale: LevelScale, ax: Axes, span_db: tuple[float, float]
) -> Axes:
    """Draw for each clip, one under the other, the share of its frames at each level, 1 dB a bar.

    The level is that of a steady 1 kHz tone with the same envelope. Each row's tallest bar fills it. What
    lies outside the span, as frames under one count, which have no level, stands in words at the right.
    """
    dress(ax, x="level of a steady 1 kHz tone, dB SPL", grid="x")
    hue = colour("counts")
    edges_db = np.arange(np.floor(span_db[0]), np.ceil(span_db[1]) + BIN_DB / 2, BIN_DB)
    for row, light in enumerate(lights):
        different, which = np.unique(light.envelope_counts, return_inverse=True)
        levels_db = np.array([scale.level_db_spl(float(counts)) for counts in different])[which]
        share = np.histogram(levels_db, edges_db)[0] / levels_db.size
        height = 0.85 * share / max(float(share.max()), 1e-12)
        # One shape a clip, not one a bar: hundreds of them take a printer longer than all the rest.
        ax.stairs(
            height - row, edges_db, baseline=-row, fill=True, color=hue, linewidth=0, label=light.clip.label
        )
        beyond = {"quieter": levels_db < edges_db[0], "louder": levels_db >= edges_db[-1]}
        words = [f"{100 * some.mean():.0f} % {side}" for side, some in beyond.items() if some.mean() >= 0.005]
        if words:
            margin_note(ax, "\n".join(words), 0.35 - row, colour=SOFT)
    ax.set_xlim(*span_db)
    ax.set_ylim(1 - len(lights) - 0.12, 1)
    ax.set_yticks(
        [0.35 - row for row in range(len(lights))], [light.clip.label.replace("_", " ") for light in lights]
    )
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    return ax


def lightness_steps(
    table: LookupTable, scale: LevelScale, ax: Axes, *, largest_lstar: float | None = None
) -> Axes:
    """Draw the step of L* from each whole count to the next, over the level of the higher one.

    largest_lstar: what is asked, a dashed line.
    """
    counts = np.arange(table.full_scale_counts + 1)
    codes = table.look_up(counts)
    steps = np.diff(lightness_cie1976(codes / table.brightest_code))
    level_db = np.array([scale.level_db_spl(float(count)) for count in counts[1:]])
    hue = colour("light")
    moves = steps > 0
    ax.vlines(level_db[moves], 0, steps[moves], color=hue, linewidth=0.8, alpha=0.5)
    ax.plot(level_db[moves], steps[moves], ".", color=hue, markersize=4, label="steps")
    dress(
        ax, x="level of a steady 1 kHz tone, dB SPL", y="step to the next count, L*", grid="y", y_colour=hue
    )
    asked = table.count_map.in_db_spl(scale)
    margin_db = 0.05 * (asked.ceiling_db_spl - asked.floor_db_spl)
    ax.set_xlim(asked.floor_db_spl - margin_db, asked.ceiling_db_spl + margin_db)
    top = float(steps.max(initial=1e-3))
    if largest_lstar is not None:
        limit_line(ax, largest_lstar)
        margin_note(ax, f"at most\n{largest_lstar:g}", largest_lstar)
        top = max(top, largest_lstar)
    ax.set_ylim(0, 1.15 * top)
    return ax


def latency_parts(budget: LatencyBudget, ax: Axes) -> Axes:
    """Draw how far the light is behind the drum, ms: one row for each part, on average and at worst.

    Each part begins where the one before it ends at worst; its average is dark, the rest of its worst pale.
    Then the latency that metrics state, which ends at the last pixel's frame, and all of it.
    Dashed: from where a light behind its drum is detected and to where it is accepted [BT1359-1].
    """
    hue = colour("latency")
    whole = LatencyPart(
        "light after drum", sum(p.mean_s for p in budget.parts), sum(p.worst_s for p in budget.parts)
    )
    start_ms = 0.0
    totals = (budget.to_frame, whole)
    for row, part in enumerate((*budget.parts, *totals)):
        left_ms = 0.0 if row >= len(budget.parts) else start_ms
        mean_ms, worst_ms = 1e3 * part.mean_s, 1e3 * part.worst_s
        ax.barh(-row, worst_ms, 0.6, left=left_ms, color=hue, alpha=0.35, linewidth=0, label="worst")
        ax.barh(-row, mean_ms, 0.6, left=left_ms, color=hue, linewidth=0, label="mean")
        words = f"{mean_ms:.1f}" if worst_ms - mean_ms < 0.05 else f"{mean_ms:.1f} to {worst_ms:.1f}"
        note(ax, f"{words} ms", (left_ms + worst_ms, -row), offset=(4, 0), colour=hue)
        start_ms += worst_ms
    dress(ax, x="light after drum at the wearer, ms", grid="x")
    for limit_s, words in (
        (SOUND_FIRST_DETECTED_S, "noticed from here"),
        (SOUND_FIRST_ACCEPTED_S, "accepted to here"),
    ):
        limit_line(ax, 1e3 * limit_s, vertical=True)
        note(ax, f"{words}: {1e3 * limit_s:.0f}", (1e3 * limit_s, 0.75), offset=(4, 0))
    names = [part.name for part in (*budget.parts, *totals)]
    ax.set_yticks([-row for row in range(len(names))], names)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.set_xlim(0, max(1.35e3 * SOUND_FIRST_ACCEPTED_S, 1.2e3 * whole.worst_s))
    ax.set_ylim(-len(names) + 0.4, 1.15)
    return ax


def lit_pixels_current(pixels: Pixels, supply: Supply, duty_limit: float, ax: Axes) -> Axes:
    """Draw the supply current over how many pixels are lit full white: with the duty_limit, and without.

    Where the unlimited line passes the converter's limit, the limiter over each frame has to work.
    """
    lit = np.arange(pixels.count + 1)
    patterns = (np.arange(pixels.count) < lit[:, None]).astype(np.float64)[..., None]
    patterns = np.repeat(patterns, pixels.channels, axis=-1)
    hue = colour("current")
    for duty, style, name in ((1.0, (0, (4, 1.5)), "unlimited"), (duty_limit, "solid", "limited")):
        lit_a = pattern_current_a(duty * patterns, pixels, volts=supply.volts)
        current_a = lit_a + supply.counted_controller_a
        ax.plot(lit, current_a, color=hue, linewidth=LINE_PT, linestyle=style, label=name)
        margin_note(ax, f"{name}\n{current_a[-1]:.3g} A", float(current_a[-1]), colour=hue)
        if duty_limit >= 1:
            break
    dress(ax, x="pixels lit at the table's top, the others dark", y="supply current, A", y_colour=hue)
    full_a = float(pattern_current_a(patterns[-1], pixels, volts=supply.volts)) + supply.counted_controller_a
    top_a = max(full_a, supply.limit_a)
    ax.axhspan(supply.limit_a, 1.1 * top_a, color=SHADE, zorder=0.4, linewidth=0)
    limit_line(ax, supply.limit_a)
    planned = f", planned with {supply.usable_a:.3g} A" if supply.margin else ""
    note(
        ax,
        f"the {supply.name}'s limit: {supply.limit_a:g} A{planned}",
        (0.02 * pixels.count, supply.limit_a),
        offset=(0, 8),
    )
    ax.set_xlim(0, pixels.count)
    ax.set_ylim(0, 1.1 * top_a)
    return ax


def hours_in_the_cold(power_w: float, pack: Pack, ax: Axes) -> Axes:
    """Draw how many hours a pack gives a mean power, W, over the temperature of its cells."""
    coldest_c, warmest_c = pack.derating[0][0], min(pack.derating[-1][0], 30.0)
    temperature_c = np.arange(coldest_c, warmest_c + 0.5, 1.0)
    hours = np.array([battery_hours(power_w, pack, float(cell_c)) for cell_c in temperature_c])
    hue = colour("current")
    ax.plot(temperature_c, hours, color=hue, linewidth=LINE_PT, label="hours")
    dress(ax, x="temperature of the cells, °C", y="hours", y_colour=hue)
    ax.axvspan(coldest_c, 0.0, color=SHADE, zorder=0.4, linewidth=0)
    note(ax, "never charge\nin here", (coldest_c, 0.12 * hours.max()), offset=(5, 0))
    ax.set_xlim(coldest_c, warmest_c)
    ax.set_ylim(0, 1.15 * float(hours.max()))
    return ax


def volts_along(drops: Sequence[tuple[str, WireDrop]], ax: Axes) -> Axes:
    """Draw the voltage at each pixel along its wire, one line for each named way to feed it."""
    hue = colour("current")
    lowest_v = np.inf
    for (name, drop), style in zip(drops, ("solid", (0, (4, 1.5)), (0, (1, 1.5))), strict=False):
        pixel_v: FloatArray = drop.pixel_v
        number = np.arange(1, pixel_v.size + 1)
        ax.plot(number, pixel_v, color=hue, linewidth=LINE_PT, linestyle=style, label=name)
        margin_note(ax, name, float(pixel_v[-1]), colour=INK)
        lowest_v = min(lowest_v, drop.lowest_v)
    dress(ax, x="pixel along the wire", y="volts there", y_colour=hue)
    highest_v = max(float(drop.pixel_v.max()) for _, drop in drops)
    ax.set_xlim(1, max(drop.pixel_v.size for _, drop in drops))
    ax.set_ylim(lowest_v - 0.2 * (highest_v - lowest_v), highest_v + 0.2 * (highest_v - lowest_v))
    return ax
