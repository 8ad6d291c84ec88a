"""A design's colour on its clips: red flashes against the limit, current of its channels, hue that is shown.

Judged is what the colour tables hold, looked up at each frame's envelope as the firmware would. The limit is
hard: the sweep counts the same flashes (metrics/worst_flashes.py), so that a choice that keeps it keeps it in
colour.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from envlab.board_firmware.colours import colour_tables
from envlab.chain import Chain
from envlab.light.colour import colour_luminance, preview_hex
from envlab.light.colour_tables import ColourTables, preview_ramp
from envlab.light.costume_colour import CostumeColour
from envlab.light.flashes.flash import count_flashes
from envlab.light.flashes.red_flash import count_red_flashes
from envlab.light.pixels import Pixels, Supply, idle_current_a
from envlab.metrics.worst_flashes import red_flashes
from envlab.study.chosen_on_clips import ClipLight
from envlab.study.power.rows import AskedRow
from envlab.study.sentences import Sentence
from envlab.units import FloatArray

# Shares of white that are tried, mixed in linear light, until the red flashes keep the limit.
TINTS = tuple(share / 20 for share in range(1, 21))
# From here on a hue is told (L*), and how far one must move to be seen (common practice, no source).
HUE_FROM_LSTAR, SEEN_UV = 10.0, 0.004
ABOUT = {"red": ("colour_red", "colour_relief"), "current": ("colour_current",), "general": (), "hue": ()}


@dataclass(frozen=True)
class ClipFlashes:
    """Flashes of one clip in its worst second, in colour: red ones, and general ones."""

    clip: str
    red: int
    general: int


@dataclass(frozen=True, eq=False)
class ColourVerdict:
    """What a design's colour does on its clips.

    limit: flashes that are allowed in any second. mean_a, peak_a: out of the supply, all pixels alike.
    usable_a: what is planned with. hue_error_uv: how far the shown hue lies from the meant one. tint: share
    of white that brings red flashes within the limit, and the colour then; None where nothing has to be done.
    """

    colour: CostumeColour
    tables: ColourTables
    clips: tuple[ClipFlashes, ...]
    limit: float
    mean_a: float
    peak_a: float
    usable_a: float
    hue_error_uv: float
    tint: tuple[float, CostumeColour] | None

    @property
    def red_per_s(self) -> int:
        """Most red flashes in any second of any clip."""
        return max(one.red for one in self.clips)

    @property
    def general_per_s(self) -> int:
        """Most general flashes in any second of any clip, in colour."""
        return max(one.general for one in self.clips)

    @property
    def keeps(self) -> bool:
        """Whether no second has more flashes of either kind than are allowed."""
        return max(self.red_per_s, self.general_per_s) <= self.limit

    @property
    def preview(self) -> list[str]:
        """Screen colours from dark to full, even in L*."""
        return preview_ramp(self.tables.ramp, 16, self.tables.primaries)

    @property
    def rows(self) -> tuple[AskedRow, ...]:
        """Every row, the red flashes first."""
        return tuple(_rows(self))

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people."""
        return tuple(_told(self))


def judge_colour(chain: Chain, lights: Sequence[ClipLight], limit: float) -> ColourVerdict | None:
    """Return what a board's colour does on clips; None where it has none.

    Parameters
    ----------
    chain : Chain
        The board, its colour stated.
    lights : sequence of ClipLight
        Its light on the clips, as light_on_clips gives it.
    limit : float
        Flashes that are allowed in any second.

    Returns
    -------
    ColourVerdict or None
    """
    tables = colour_tables(chain)
    if tables is None:
        return None
    shown = [tables.look_up(light.envelope_counts) / tables.brightness.full_code for light in lights]
    full = _full_luminance(tables)
    clips = tuple(_flashes(light, duty, tables, full) for light, duty in zip(lights, shown, strict=True))
    current_a = np.concatenate([_current_a(duty, chain.pixels, chain.supply) for duty in shown])
    over = max(one.red for one in clips) > limit
    return ColourVerdict(
        chain.colour,
        tables,
        clips,
        limit,
        float(current_a.mean()),
        float(current_a.max()),
        chain.supply.usable_a,
        tables.hue_error_uv(HUE_FROM_LSTAR),
        _tint(chain, lights, limit) if over else None,
    )


def _full_luminance(tables: ColourTables) -> float:
    """Luminance of the brightest state: that of the table's end, were its ceiling within it."""
    brightness = tables.brightness
    last = float(colour_luminance(tables.duty[-1], tables.primaries))
    reached = brightness.duty_codes[-1] / brightness.brightest_code
    return last / reached if reached > 0 else 1.0


def _flashes(light: ClipLight, duty: FloatArray, tables: ColourTables, full: float) -> ClipFlashes:
    luminance = np.clip(colour_luminance(duty, tables.primaries) / full, 0.0, 1.0)
    red = count_red_flashes(duty, light.frame_rate_hz, primaries=tables.primaries, full_luminance=full)
    return ClipFlashes(light.clip.label, red, count_flashes(luminance, light.frame_rate_hz))


def _current_a(duty: FloatArray, pixels: Pixels, supply: Supply) -> FloatArray:
    """Of all pixels alike, duty (frames, 3), and the controller."""
    lit_a = duty.sum(axis=1) * pixels.count * pixels.channel_supply_a(supply.volts)
    return np.asarray(lit_a + idle_current_a(pixels) + supply.counted_controller_a)


def _tint(chain: Chain, lights: Sequence[ClipLight], limit: float) -> tuple[float, CostumeColour] | None:
    """The least share of white, mixed into both ends in linear light, whose red flashes keep the limit."""
    ramp = chain.colour.ramp
    assert ramp is not None
    for share in TINTS:
        ends = [_with_white(np.array(end), share) for end in (ramp.low, ramp.high)]
        dim = None if chain.colour.dim is None else ends[0]
        tinted = replace(chain.colour, dim=dim, full=ends[1])
        board = replace(chain, colour=tinted)
        if all(red_flashes(board, light.relative_luminance) <= limit for light in lights):
            return share, tinted
    return None


def _with_white(light: FloatArray, share: float) -> str:
    return preview_hex(light + share * (light.max() - light))


def _rows(verdict: ColourVerdict) -> Iterator[AskedRow]:
    most = f"at most {verdict.limit:g}"
    yield AskedRow(
        "red",
        "Red flashes",
        "to or from a saturated red, worst sliding second of all clips",
        f"{verdict.red_per_s} in 1 s",
        most,
        verdict.red_per_s <= verdict.limit,
    )
    yield AskedRow(
        "general",
        "Flashes in colour",
        "of luminance, as the colour tables show it",
        f"{verdict.general_per_s} in 1 s",
        most,
        verdict.general_per_s <= verdict.limit,
    )
    yield AskedRow(
        "current",
        "Current in colour",
        "largest on the clips, all pixels and the controller",
        f"{verdict.peak_a:.3g} A",
        f"at most {verdict.usable_a:.3g} A",
        verdict.peak_a <= verdict.usable_a * (1 + 1e-9),
    )
    yield AskedRow(
        "hue",
        "Hue off by",
        f"from the hue that is meant, at most, from {HUE_FROM_LSTAR:g} L* on; {SEEN_UV:g} is just seen",
        f"{verdict.hue_error_uv:.2g} u′v′",
        "",
        None,
    )


def _told(verdict: ColourVerdict) -> Iterator[Sentence]:
    colour = verdict.colour
    ends = f"{colour.full}" if colour.dim is None else f"{colour.dim} when dim and {colour.full} at full"
    worst = max(verdict.clips, key=lambda one: one.red)
    yield Sentence(
        "colour",
        f"The costume is {ends}; its luminance follows the brightness curve, whatever the hue does.",
        {"hue_error_uv": verdict.hue_error_uv},
    )
    where = f" ({worst.clip})" if worst.red else ""
    yield Sentence(
        "colour_red",
        f"Red flashes: {worst.red} in the worst second{where}, where {verdict.limit:g} are allowed. A"
        " saturated red that comes and goes is counted apart, whatever its luminance does; under 1 % of full"
        " it counts as white, so that a glow which hovers there counts, too.",
        {"red_per_s": verdict.red_per_s, "limit": verdict.limit},
    )
    if verdict.red_per_s > verdict.limit:
        yield _relief(verdict)
    yield Sentence(
        "colour_current",
        f"In colour the clips take {verdict.mean_a:.2g} A in the mean and {verdict.peak_a:.3g} A at most.",
        {"mean_a": verdict.mean_a, "peak_a": verdict.peak_a},
    )
    if colour.assumed:
        names = ", ".join(colour.assumed)
        text = (
            f"Not stated, and taken from sRGB: the chromaticities of {names}; a data sheet goes before that."
        )
        yield Sentence("colour_assumed", text, {"names": names})


def _relief(verdict: ColourVerdict) -> Sentence:
    if verdict.tint is None:
        text = "No mixture with white brings them there: other parts, or another hue."
        return Sentence("colour_relief", text)
    share, tinted = verdict.tint
    dim = "" if tinted.dim is None else f'dim = "{tinted.dim}", '
    text = f'It would do: the colour with {100 * share:.0f} % of white, {dim}full = "{tinted.full}".'
    return Sentence("colour_relief", text, {"share": share})
