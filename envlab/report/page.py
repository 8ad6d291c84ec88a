"""The report: one page about one choice that opens without a network, prints on A4 and needs no script."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined

from envlab import __version__
from envlab.circuit.circuit import circuit_of
from envlab.design_file import digest
from envlab.metrics.catalogue import METRICS
from envlab.plot.palette import PALETTE
from envlab.report.facts import (
    asked_sentences,
    clip_rows,
    command_words,
    metric_rows,
    metric_text,
    range_rows,
    supply_details,
    supply_sentences,
    table_details,
    table_sentences,
)
from envlab.report.feed import bank_sentences, feed_sentences
from envlab.report.layouts import layouts_section
from envlab.report.pictures import Picture, drawing_s, pictures_of
from envlab.report.power import colour_section, power_section
from envlab.report.worn import worn_section
from envlab.study.chosen_on_clips import ClipLight, light_on_clips
from envlab.study.colour_verdict import ColourVerdict, judge_colour
from envlab.study.power.power_verdict import PowerVerdict, judge_power
from envlab.study.sentences import of_kind, texts
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import IN_SHORT, KINDS, Choice
from envlab.study.tolerance.judged_parts import judged_parts
from envlab.study.tolerance.words import percent_text
from envlab.units import keep_together

if TYPE_CHECKING:
    from envlab.study.exported.judgement import ExportedJudgement
    from envlab.study.layouts.comparison import LayoutComparison
    from envlab.study.tolerance.result import ToleranceResult

_GLANCE = ("beat_contrast_lstar", "onset_lag_worst_ms", "flashes_per_s", "supply_99_a")
# What a second of clips takes to be played once more, measured on two cores.
LIGHT_S_PER_S = 1.2e-2


def report_html(
    specification: Specification,
    choice: Choice,
    tolerance: ToleranceResult | None = None,
    exported: ExportedJudgement | None = None,
    layouts: LayoutComparison | None = None,
    *,
    progress: Callable[[float], None] | None = None,
) -> str:
    """Return the report on a choice as one HTML file; the same specification and choice give the same bytes.

    tolerance: what becomes of the choice on many boards; exported: what its firmware shows; layouts: what
    every layout of light makes of the clips. None leaves that section out. progress: called with the share
    that is done, 0 to 1. It runs the chosen chain once more over the specification's clips, with the noise of
    the sweep.
    """
    return page_and_verdicts(specification, choice, tolerance, exported, layouts, progress=progress)[0]


def page_and_verdicts(
    specification: Specification,
    choice: Choice,
    tolerance: ToleranceResult | None = None,
    exported: ExportedJudgement | None = None,
    layouts: LayoutComparison | None = None,
    lights: tuple[ClipLight, ...] | None = None,
    *,
    drawn: tuple[dict[str, Picture], PowerVerdict] | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[str, PowerVerdict, ColourVerdict | None]:
    """Return what report_html does, and what stands in it of what feeds the choice, and of its colour.

    lights: of the chosen chain on the clips, if that is known already; None: it is played. drawn: the
    pictures, as pictures_of has them, and judge_power's verdict, if these are there; None: they are made.
    """
    tell, played = progress or _nobody, 0.0
    if lights is None:
        lengths_s = [sound.duration_s for sound in specification.sounds]
        played_s = LIGHT_S_PER_S * sum(lengths_s)
        played = played_s / (played_s + drawing_s(lengths_s))
        lights = light_on_clips(specification, choice.chain, progress=lambda share: tell(played * share))
    colour = judge_colour(choice.chain, lights, specification.targets.flash_limit)
    if drawn is None:
        power = judge_power(specification, choice.chain, lights)
        pictures = pictures_of(
            specification, choice, lights, tolerance, power, layouts,
            progress=lambda share: tell(played + (1 - played) * share),
        )  # fmt: skip
    else:
        pictures, power = drawn
    page = page_text(specification, choice, lights, pictures, tolerance, exported, power, colour, layouts)
    return page, power, colour


def _nobody(share: float) -> None:
    del share


def page_text(
    specification: Specification,
    choice: Choice,
    lights: tuple[ClipLight, ...],
    pictures: dict[str, Picture],
    tolerance: ToleranceResult | None = None,
    exported: ExportedJudgement | None = None,
    power: PowerVerdict | None = None,
    colour: ColourVerdict | None = None,
    layouts: LayoutComparison | None = None,
) -> str:
    """Return the page of report_html from its pictures, by name.

    And the light on the specification's clips.
    """
    parts = judged_parts(specification, choice.chain)
    metrics = metric_rows(specification, choice)
    page = Environment(
        loader=PackageLoader("envlab.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    ).get_template("report.html.j2")
    return page.render(
        title=specification.name.removesuffix(".toml").replace("_", " "),
        palette=PALETTE,
        choice=choice,
        asked=_held(asked_sentences(specification, choice)),
        headline=" ".join(_held(texts(of_kind(choice.sentences, "headline")))),
        verdict=" ".join(_held(texts(of_kind(choice.sentences, "verdict")))),
        reasons=_held(texts(of_kind(choice.sentences, *(kind for kind in KINDS if kind not in IN_SHORT)))),
        glance=_glance(choice, tolerance),
        swept=[part for part in parts if part.key in specification.ranges],
        parts=parts,
        not_bought=_held(circuit_of(choice.chain).remarks),
        ranges=range_rows(specification, choice),
        clips=clip_rows(choice, lights),
        judged=[row for row in metrics if row.asked],
        others=[row for row in metrics if not row.asked],
        tolerance=_held(() if tolerance is None else tolerance.words),
        worn=worn_section(choice, exported),
        layouts=layouts_section(layouts),
        power=power_section(power),
        colour=colour_section(colour),
        pictures=pictures,
        table=_held(table_sentences(choice.chain)),
        table_details=_held(table_details(choice.chain)),
        supply=_held([*supply_sentences(choice.chain), *texts(bank_sentences(choice.chain))]),
        supply_details=_held([*supply_details(choice.chain), *texts(feed_sentences(choice))]),
        cautions=_held(choice.chain.design_rule_warnings),
        flash_limit=f"{specification.targets.flash_limit:g}",
        version=__version__,
        digest=digest(choice.chain),
        seed=specification.judging.seed,
        street=f"{specification.judging.street_db_spl:g}",
        command=command_words(specification),
    )


def _held(sentences: Iterable[str]) -> list[str]:
    return [keep_together(sentence) for sentence in sentences]


def _glance(choice: Choice, tolerance: ToleranceResult | None) -> list[tuple[str, str]]:
    """Name and value of four results; how many boards are good goes before the current."""
    results = [(METRICS[name].label, metric_text(name, float(choice.row[name]))) for name in _GLANCE]
    if tolerance is None:
        return results
    name = "Boards that meet what counts" if choice.ranking.replaced else "Boards that meet all"
    return [*results[:-1], (name, percent_text(tolerance.yield_share))]
