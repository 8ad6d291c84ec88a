"""The report's sections on what feeds the board and on its colour: rows against what is asked, and words."""

from __future__ import annotations

from dataclasses import dataclass

from envlab.study.colour_verdict import ClipFlashes, ColourVerdict
from envlab.study.power.power_verdict import PowerVerdict
from envlab.study.power.rows import AskedRow
from envlab.study.sentences import of_kind, texts
from envlab.units import keep_together

# Heading → what is said under it, in this order.
GROUPS = {
    "Pulses": (
        *("margin", "power_layout", "supply_pulses", "supply_droop", "supply_capacitor", "supply_relief"),
        "supply_trip",
    ),
    "Cells": ("pack_hours", "pack_rail", "pack_reset", "pack_left", "pack_assumed", "pack_caution"),
    "Wires": ("feed_drop", "feed_ways", "feed_relief", "feed_loss"),
    "Lights into the microphone": (
        *("feedback", "feedback_ways", "feedback_rings", "feedback_mend"),
        "feedback_assumed",
    ),
    "Assumed": ("power_assumed",),
}
# What envlab supply and envlab feedback say beside that: of no account where rows are kept, or said by a row.
LEFT_TO_THE_VERBS = ("supply_mean", "supply_scatter", "supply_assumed", "pack_power", "feedback_knock")


@dataclass(frozen=True)
class PowerSection:
    """rows: of the table. groups: (heading, text)."""

    rows: tuple[AskedRow, ...]
    groups: tuple[tuple[str, str], ...]


def power_section(verdict: PowerVerdict | None) -> PowerSection | None:
    """Return the section on a verdict; None without one."""
    if verdict is None:
        return None
    said = {title: of_kind(verdict.sentences, *kinds) for title, kinds in GROUPS.items()}
    return PowerSection(
        verdict.rows,
        tuple((title, keep_together(" ".join(texts(some)))) for title, some in said.items() if some),
    )


@dataclass(frozen=True)
class ColourSection:
    """rows: of the table. said: what follows. preview: screen colours, dark to full. clips: their flashes,
    of which a second may have as many as limit.
    """

    rows: tuple[AskedRow, ...]
    said: str
    preview: tuple[str, ...]
    clips: tuple[ClipFlashes, ...]
    limit: float


def colour_section(verdict: ColourVerdict | None) -> ColourSection | None:
    """Return the section on a colour; None without one."""
    if verdict is None:
        return None
    said = keep_together(" ".join(texts(verdict.sentences)))
    return ColourSection(verdict.rows, said, tuple(verdict.preview), verdict.clips, verdict.limit)
