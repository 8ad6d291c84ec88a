"""What a pack gives a board on its clips, as a record, and what follows from it, for people."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from envlab.light.power.cells import Cells
from envlab.study.sentences import Sentence
from envlab.units import FloatArray

CAUTION = (
    "Lithium cells burn on the body: only protected cells, a fuse at the pack before any wire leaves it, no"
    " charging below 0 °C. Local codes and licensed practice go before all of this."
)


@dataclass(frozen=True)
class LoudestBeat:
    """The frame that takes most: of which clip, when, at which duty (0..1), and what it takes in the mean, A.

    pulse_a: the most that the converter gives within it, A. droop_v: by how much its pulses let the rail
    fall.
    """

    clip: str
    at_s: float
    duty: float
    mean_a: float
    pulse_a: float
    droop_v: float


@dataclass(frozen=True, eq=False)
class RailCourse:
    """The loudest beat as the night goes on, arrays of shape (points,): hours from a full pack, and V then.

    pack_v: of the pack, NaN where it cannot give what is asked. rail_v: of the rail, droop included.
    """

    hours: FloatArray
    pack_v: FloatArray
    rail_v: FloatArray


@dataclass(frozen=True)
class PackVerdict:
    """What a pack gives a board on its clips.

    mean_w, peak_w: out of the pack, over all frames, and in the loudest one. pulse_w: the same during a pulse
    of it. full_v: of the whole pack at that, full; NaN where full cells cannot give it. lowest_v: at which
    the cells must stop. charge_left: share of the charge at which a pulse pulls the pack down to that; 1: at
    once. hours: from full until then. rail_full_v, rail_after_v, rail_end_v: lowest rail on the loudest beat
    with a full pack, at the end of the clips, and at the end of hours. brown_out_v: below which the
    controller resets. brown_out_hours: from full until the loudest beat brings the rail there; infinite where
    the cells end before. brown_out_charge: what is left of the charge then. clips_h, charge_after: the clips
    played once, and the charge then. hours_after: what is left at their end, until the cells or the
    controller end it.
    """

    cells: Cells
    temperature_c: float
    loudest: LoudestBeat
    mean_w: float
    peak_w: float
    pulse_w: float
    full_v: float
    lowest_v: float
    charge_left: float
    hours: float
    rail_full_v: float
    rail_after_v: float
    rail_end_v: float
    brown_out_v: float
    brown_out_hours: float
    brown_out_charge: float
    clips_h: float
    charge_after: float
    hours_after: float
    course: RailCourse

    @property
    def resets_first(self) -> bool:
        """Whether the controller resets before the cells are at their end."""
        return math.isfinite(self.brown_out_hours)

    @property
    def sentences(self) -> tuple[Sentence, ...]:
        """What follows, for people."""
        return tuple(_told(self))


def celsius_words(celsius: float) -> str:
    """Return a temperature, celsius in °C, as a sentence says it."""
    return f"{celsius:g} °C".replace("-", "−")


def _told(verdict: PackVerdict) -> Iterator[Sentence]:
    pack = verdict.cells.pack
    who = f"{pack.cells} cell{'s' * (pack.cells != 1)} of {pack.capacity_ah:g} Ah and"
    power = f"{verdict.mean_w:.2g} W out of the pack in the mean and {verdict.peak_w:.2g} W"
    behind = {"mean_w": verdict.mean_w, "peak_w": verdict.peak_w, "pulse_w": verdict.pulse_w}
    pulse = f", {verdict.pulse_w:.2g} W in its pulses" if verdict.pulse_w > 1.005 * verdict.peak_w else ""
    yield Sentence("pack_power", f"The clips take {power} in their loudest frame{pulse}.", behind)
    yield Sentence("pack_hours", f"{who} {_ohm(verdict)}: {_lasts(verdict)}", _behind(verdict))
    yield _rail(verdict)
    yield _reset(verdict)
    if verdict.charge_left < 1 and verdict.hours_after > 0:
        yield _left(verdict)
    yield Sentence(
        "pack_assumed",
        f"Taken for that: {100 * pack.usable_share:.0f} % of the capacity (age), cells at"
        f" {celsius_words(verdict.temperature_c)}, the clips over and over; where [pack] states none,"
        " voltages and resistance over charge and cold of common lithium-ion cells.",
        {"usable_share": pack.usable_share, "temperature_c": verdict.temperature_c},
    )
    yield Sentence("pack_caution", CAUTION)


def _behind(verdict: PackVerdict) -> dict[str, float]:
    return {"hours": verdict.hours, "charge_left": verdict.charge_left, "lowest_v": verdict.lowest_v}


def _ohm(verdict: PackVerdict) -> str:
    at = verdict.cells.ohm_at(0.5, verdict.temperature_c)
    return (
        f"{1e3 * verdict.cells.ohm:.3g} mΩ each, {1e3 * at:.3g} mΩ at {celsius_words(verdict.temperature_c)}"
    )


def _lasts(verdict: PackVerdict) -> str:
    least = f"{verdict.lowest_v:.1f} V"
    if verdict.charge_left >= 1:
        fall = f"fall to {verdict.full_v:.1f} V"
        gives_way = "cannot give that at all" if math.isnan(verdict.full_v) else fall
        return (
            f"full as they are, they {gives_way} at the loudest beat, where {least} is the least; the"
            " board stops at once. Cells of less resistance, more of them side by side, or a smaller largest"
            " duty."
        )
    hours = f"{verdict.hours:.1f} hours"
    if verdict.charge_left <= 0:
        return f"{hours}, until they are empty; no beat pulls the pack under {least} before."
    return (
        f"{hours}; then, with {100 * verdict.charge_left:.0f} % of the charge left, the loudest beat pulls"
        f" the pack to {least}, and the board stops."
    )


def _rail(verdict: PackVerdict) -> Sentence:
    beat = verdict.loudest
    text = (
        f"The loudest beat ({beat.clip}, {beat.at_s:.1f} s in, {beat.mean_a:.2g} A) leaves"
        f" {verdict.rail_full_v:.2f} V of the rail with a full pack, {verdict.rail_after_v:.2f} V at the end"
        f" of the clips, {verdict.rail_end_v:.2f} V at the end of the cells."
    )
    behind = {
        "rail_full_v": verdict.rail_full_v,
        "rail_after_v": verdict.rail_after_v,
        "rail_end_v": verdict.rail_end_v,
        "mean_a": beat.mean_a,
        "at_s": beat.at_s,
    }
    return Sentence("pack_rail", text, behind)


def _reset(verdict: PackVerdict) -> Sentence:
    below = f"The controller resets below {verdict.brown_out_v:.2g} V"
    behind = {
        "brown_out_v": verdict.brown_out_v,
        "brown_out_hours": verdict.brown_out_hours,
        "brown_out_charge": verdict.brown_out_charge,
    }
    if not verdict.resets_first:
        return Sentence("pack_reset", f"{below}: it does not before the cells are at their end.", behind)
    if verdict.brown_out_hours <= 0:
        text = f"{below}: it does at the first loud beat, the pack full, goes dark and starts anew."
        return Sentence("pack_reset", text, behind)
    text = (
        f"{below}: it does before the cells are at their end, after {verdict.brown_out_hours:.1f} hours, with"
        f" {100 * verdict.brown_out_charge:.0f} % of the charge left, and from then on at every loud beat."
    )
    return Sentence("pack_reset", text, behind)


def _left(verdict: PackVerdict) -> Sentence:
    took = 100 * (1 - verdict.charge_after)
    text = (
        f"Played once, the clips take {60 * verdict.clips_h:.2g} minutes and {took:.2g} % of the charge;"
        f" {verdict.hours_after:.1f} hours are left at their end."
    )
    behind = {
        "clips_h": verdict.clips_h,
        "charge_after": verdict.charge_after,
        "hours_after": verdict.hours_after,
    }
    return Sentence("pack_left", text, behind)
