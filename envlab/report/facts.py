"""Rows and sentences of the report: what was asked, what came out, what the table can do."""

from __future__ import annotations

import math
import shlex
import tomllib
from dataclasses import dataclass, replace

from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.light.pixels import full_current_a, whole_pixels_at_full
from envlab.light.table_facts import table_facts
from envlab.metrics.catalogue import FLASH_METRIC, METRICS, NOT_JUDGED
from envlab.metrics.clip_metrics import finest_change_counts, table_steps
from envlab.shipped import DEMOS, demo_design
from envlab.sound.level_text import parse_level
from envlab.study.chosen_on_clips import ClipLight
from envlab.study.layouts.plays import name_of
from envlab.study.specification.parts_list import design_parts
from envlab.study.specification.ranges import Choices
from envlab.study.specification.specification import Specification, asked_sensitivity
from envlab.study.specification.targets import Target
from envlab.study.sweep.choice import Choice
from envlab.study.sweep.not_judged import why_no_clip
from envlab.units import value_of_key

TAG_WORDS = {
    "beat": "beat",
    "quiet": "quiet music",
    "walking": "walking",
    "room": "empty room",
}
# Between a number and its unit no line may break.
_GAP = "\u00a0"


@dataclass(frozen=True)
class FigureRow:
    """One metric of the choice against its target.

    value: with the reason where it is not judged. verdict: "met", "missed by …" and, of a target that nobody
    meets, what counts in its place; "" without a target.
    """

    metric: str
    name: str
    meaning: str
    value: str
    asked: str
    verdict: str
    met: bool


@dataclass(frozen=True)
class ClipRow:
    """One clip, and what the light does on it: level in dB SPL, length in s, contrast in L*, lit in %,
    flashes in the worst second, mean current in A.
    """

    name: str
    level: str
    length: str
    tags: str
    contrast: str
    lit: str
    flashes: str
    current: str


@dataclass(frozen=True)
class RangeRow:
    """One swept part: what was tried, and the value that was chosen."""

    reference: str
    purpose: str
    tried: str
    chosen: str


def metric_text(metric: str, value: float) -> str:
    """Return a metric's value as the catalogue writes it, number and unit on one line."""
    return METRICS[metric].text(value).replace(" ", _GAP)


def metric_rows(specification: Specification, choice: Choice) -> list[FigureRow]:
    """Return every metric: first those with a target, in the order of the design file, then the others."""
    flash = Target(FLASH_METRIC, "at_most", specification.targets.flash_limit, 1.0)
    asked = {target.metric: target for target in (flash, *specification.targets.soft)}
    order = [*asked, *(metric for metric in METRICS if metric not in asked)]
    counts = _in_place(choice)
    rows = []
    for metric in (metric for metric in order if metric in choice.table):
        row = _metric_row(metric, float(choice.row[metric]), asked.get(metric))
        if math.isnan(float(choice.row[metric])):
            why = why_no_clip(metric, specification, choice.chain)
            told = f"{NOT_JUDGED}: {why}"
            row = replace(row, verdict=told) if row.asked else replace(row, value=told)
        elif metric in counts:
            row = replace(row, verdict=f"{row.verdict}; {counts[metric]}")
        rows.append(row)
    return rows


def _in_place(choice: Choice) -> dict[str, str]:
    """Of each target that nobody meets, what counts in its place, in ranking and yield."""
    if not choice.flash_safe:
        return {}
    return {
        one.target.metric: "nobody meets it, and it does not count"
        if one.ranked is None
        else f"nobody meets it: what counts is {one.ranked.side.replace('_', ' ')} "
        f"{metric_text(one.target.metric, one.ranked.limit)}"
        for one in choice.ranking.replaced
    }


def _metric_row(metric: str, value: float, target: Target | None) -> FigureRow:
    asked, verdict, met = "", "", True
    if target is not None:
        asked = f"{target.side.replace('_', ' ')} {metric_text(metric, target.limit)}"
        miss = value - target.limit if target.side == "at_most" else target.limit - value
        met = bool(miss <= 0)  # NaN is never met
        verdict = "met" if met else f"missed by {metric_text(metric, miss)}"
    return FigureRow(
        metric, METRICS[metric].label, METRICS[metric].says, metric_text(metric, value), asked, verdict, met
    )


def clip_rows(choice: Choice, lights: tuple[ClipLight, ...]) -> list[ClipRow]:
    """Return every clip with its level, tags, and the choice's metrics on it."""
    rows = []
    for light in lights:
        label = light.clip.label

        def metric(name: str, label: str = label) -> float:
            return float(choice.row[f"{name} [{label}]"])

        weighting = "" if light.clip.weighting == "Z" else f" ({light.clip.weighting})"
        if light.clip.level_uncertainty_db:
            weighting += f" ±{light.clip.level_uncertainty_db:g}"
        rows.append(
            ClipRow(
                name=light.clip.file_name,
                level=f"{light.clip.level_db_spl:g}{weighting}",
                length=f"{light.duration_s:.0f}",
                tags=", ".join(TAG_WORDS[tag] for tag in light.clip.tags),
                contrast=_judged(metric("contrast_lstar")),
                lit=_judged(100 * metric("lit_share")),
                flashes=_judged(metric("flashes_per_s")),
                current=f"{light.current_a.mean():.2f}",
            )
        )
    return rows


def _judged(value: float) -> str:
    return NOT_JUDGED if math.isnan(value) else f"{value:.0f}"


def range_rows(specification: Specification, choice: Choice) -> list[RangeRow]:
    """Return what was tried for each swept key."""
    board = {part.key: part for part in design_parts(choice.chain, specification.ranges)}
    rows = []
    for key, choices in specification.ranges.items():
        part = board.get(key)
        reference = part.reference if part is not None else key
        purpose = part.purpose if part is not None else ""
        rows.append(RangeRow(reference, purpose, _tried(key, choices), value_of_key(key, choice.row[key])))
    return rows


def _tried(key: str, choices: Choices) -> str:
    if not isinstance(choices, PartRange):
        return ", ".join(value_of_key(key, value) for value in choices)
    values = choices.values
    ends = f"{value_of_key(key, values[0])} to {value_of_key(key, values[-1])}"
    return f"{ends}, {len(values)} values of {choices.series}, ±{choices.tolerance_percent:g}{_GAP}%"


def asked_sentences(specification: Specification, choice: Choice) -> list[str]:
    """Return what was asked, two sentences: the lights and their sounds, then the targets and the parts."""
    pixels, supply = choice.chain.pixels, choice.chain.supply
    names = list(dict.fromkeys(clip.stem.replace("_", " ") for clip in specification.clips))
    levels = [round(clip.unweighted_db_spl, 1) for clip in specification.clips]
    loud = f"{min(levels):g} to {max(levels):g}" if max(levels) > min(levels) else f"{levels[0]:g}"
    targets = len(specification.targets.soft)
    more = f", and {targets} target{'s' * (targets > 1)} more" if targets else ""
    swept = ", ".join(row.reference for row in range_rows(specification, choice))
    tried = (
        f"to choose from were {len(choice.table)} combinations of {swept}"
        if swept
        else "the design was to be judged as it is"
    )
    return [
        f"Lights of {pixels.count} pixels on a {supply.name} of {supply.limit_a:g}{_GAP}A that follow "
        f"{_listed(names)}, at {loud}{_GAP}dB{_GAP}SPL.",
        f"Asked were at most {specification.targets.flash_limit:g} flashes in any second{more}; {tried}.",
    ]


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def table_sentences(chain: Chain) -> list[str]:
    """Return what the brightness table is, a sentence each: size, levels and steps, first light."""
    table = chain.brightness_table()
    facts = table_facts(table, chain.level_scale())
    shown = ""
    if finest_change_counts(chain) < 1:
        step = metric_text("table_step_lstar", _shown_step_lstar(chain))
        shown = f"; a frame's mean shows steps of at most {step}"
    lines = [
        f"The table has {table.entries} entries of {table.bits} bit and {facts.distinct_levels} levels; the "
        f"largest step from one to the next is {facts.largest_step_lstar:.1f} L*{shown}."
    ]
    if facts.first_lit_entry >= 0:
        lines.append(f"First light comes at a steady tone of {facts.first_lit_db_spl:.1f} dB SPL.")
    return lines


def _shown_step_lstar(chain: Chain) -> float:
    return float(table_steps([chain], [chain.brightness_table()])[0])


def table_details(chain: Chain) -> list[str]:
    """Return how the table was made and how true it is, a sentence each."""
    table = chain.brightness_table()
    scale = chain.level_scale()
    facts = table_facts(table, scale)
    lines = [
        f"Its entries stand for 0 to {table.full_scale_counts} counts above quiescent. On this board the "
        f"light is {table.count_map.words(scale)}."
    ]
    if facts.first_lit_entry >= 0:
        lines.append(
            f"The first lit entry is number {facts.first_lit_entry}, at {facts.first_lit_counts:g} counts."
        )
    if facts.largest_step_lstar > 5 and table.count_map.floor_counts < 5:
        shown = (
            f", shown as steps of at most {metric_text('table_step_lstar', _shown_step_lstar(chain))}"
            if finest_change_counts(chain) < 1
            else ""
        )
        lines.append(
            f"Its dark end is coarse: the floor lies at {table.count_map.floor_counts:.1f} counts, so that "
            f"one count more is a jump of up to {facts.largest_step_lstar:.1f} L*{shown}. More gain makes it "
            "finer, as long as the loud clips do not clip."
        )
    lines.append(
        f"The smallest step is {facts.smallest_step_lstar:.2f} L*. What the firmware looks up is off the "
        f"curve by {facts.interpolation_error_lstar:.2g} L* at most."
    )
    return lines


def supply_sentences(chain: Chain) -> list[str]:
    """Return what the supply can feed, one sentence."""
    pixels, supply = chain.pixels, chain.supply
    full_a = full_current_a(pixels, volts=supply.volts)
    feeds = f"{pixels.count} pixels at full take {full_a:.3g} A of the {supply.name}'s {supply.limit_words}"
    if chain.duty_limit < 1 and not chain.layout.is_all_alike:
        return [
            f"{feeds}, so the whole curve is scaled: together they have at most the light of all at a "
            f"duty of {chain.duty_limit:.3f}. The layout, “{name_of(chain.layout.kind)}”, shares it out: a "
            "lit pixel may have a larger duty, and the others less."
        ]
    if chain.duty_limit < 1:
        return [f"{feeds}, so the curve is scaled: no duty is above the limit of {chain.duty_limit:.3f}."]
    return [f"{feeds}: no duty limit is needed."]


def supply_details(chain: Chain) -> list[str]:
    """Return what the duty limit does, a sentence each; nothing without one."""
    pixels, supply = chain.pixels, chain.supply
    if chain.duty_limit == 1:
        return []
    return [
        "The duty limit holds whatever the music does. Nothing is clipped, and the dark end keeps its shape.",
        f"Without it, {whole_pixels_at_full(pixels, supply)} of {pixels.count} pixels could be at full while "
        "the others stay dark.",
    ]


def _named(specification: Specification) -> list[str]:
    """How a command names the design: not at all if it is the first demo, another demo by its name."""
    for demo in DEMOS:
        if specification.source_text == demo_design(demo).read_text(encoding="utf-8"):
            return [] if demo == DEMOS[0] else ["--demo", demo]
    return [specification.name]


def command_words(specification: Specification) -> str:
    """Return the command that makes this report again, with names of files but no folders.

    To be pasted into a shell, so that a name with a blank or a ";" in it is quoted.
    """
    words = ["envlab", "design"]
    words += _named(specification)
    sensitivity = specification.chain.firmware.sensitivity
    if sensitivity != asked_sensitivity(specification.source_text):
        words += ["--sensitivity", sensitivity]
    asked = [
        (str(table.get("file", "")).rsplit("/", 1)[-1], parse_level(level)[0])
        for table in tomllib.loads(specification.source_text).get("clips", [])
        for level in table.get("levels_db_spl", [])
    ]
    clips = [(clip.file_name, clip.level_db_spl) for clip in specification.clips]
    if clips != asked:
        for clip in specification.clips:
            weighting = "" if clip.weighting == specification.judging.weighting else f"dB{clip.weighting}"
            words += ["--clip", clip.file_name, "--level", f"{clip.level_db_spl:g}{weighting}"]
    return shlex.join(words)
