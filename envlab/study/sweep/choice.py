"""Which candidate, and why: ranking by the targets, and the words that explain it.

The order is that of ranking.py; robustness.py tries boards and may take another than the first in rank. The
flash limit is hard: a candidate beyond it is chosen only if there is no other, and then it is said.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.notebook_view import small_table
from envlab.study.sentences import Sentence, of_kind, texts
from envlab.study.specification.parts_list import parts_list
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification, as_specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.neighbour_words import loss_of
from envlab.study.sweep.not_judged import clip_reasons, unjudged, why_no_clip
from envlab.study.sweep.pareto import neighbours
from envlab.study.sweep.ranking import Ranking, contrast_of, rank_candidates
from envlab.study.sweep.trial import BoardTrials
from envlab.study.sweep.verdict_words import (
    at_odds,
    at_odds_words,
    board_words,
    replaced_words,
    verdict,
)
from envlab.units import value_of_key

if TYPE_CHECKING:
    import pandas as pd

# What a choice may say, in the order in which it is told.
KINDS = (
    *("headline", "verdict", "unreachable", "at_odds", "cause", "robustness", "mitigation"),
    *("neighbour", "flash_cost", "edge", "not_judged"),
)
# Whoever wants to know in a few lines reads these.
IN_SHORT = ("headline", "verdict")


@dataclass(frozen=True, eq=False, repr=False)
class Choice:
    """The candidate that a sweep is for, and why it and no other.

    Parameters
    ----------
    table : pandas DataFrame
        The sweep's table with violation, blocking_target and rank (1 is the best).
    number : int
        Its row.
    chain : Chain
        The chosen board.
    meets_all : bool
        Every target that could be judged is met.
    flash_safe : bool
        The hard limit is kept.
    left_out : tuple of Target
        Targets that no clip could judge.
    edges : tuple of str
        Swept keys whose chosen value is the first or last.
    flash_cost_lstar : float
        Contrast that the best candidate without the flash limit would have had more.
    sentences : tuple of Sentence
        Records by kind, those of KINDS; words has their texts in that order.
    ranking : Ranking
        Every candidate's place, and the targets that count.
    boards : BoardTrials or None
        What boards of candidates did; None where none were tried.
    """

    table: pd.DataFrame
    number: int
    chain: Chain
    meets_all: bool
    flash_safe: bool
    left_out: tuple[Target, ...]
    edges: tuple[str, ...]
    flash_cost_lstar: float
    sentences: tuple[Sentence, ...]
    ranking: Ranking
    boards: BoardTrials | None = None

    @property
    def flashes_judged(self) -> bool:
        """Whether any clip could show how often the choice flashes."""
        return not math.isnan(float(self.row[FLASH_METRIC]))

    @property
    def words(self) -> tuple[str, ...]:
        """What the choice says, one sentence or two a line, the headline first."""
        return texts(of_kind(self.sentences, *KINDS))

    def __repr__(self) -> str:
        said = "all targets met" if self.meets_all else f"violation {self.row['violation']:.2g}"
        unsafe = ", flash limit not kept" if self.flashes_judged else ", flashes not judged"
        safe = "" if self.flash_safe else unsafe
        return f"<Choice: candidate {self.number} of {len(self.table)}, {said}{safe}>"

    def _repr_html_(self) -> str:
        parts = [name for name in self.table.columns if "." in name and "[" not in name]
        rows = [(part_words(key, self), "") for key in parts if key in self.row and key != "preamp.gain"]
        judged = [one for key, one in METRICS.items() if key in self.row]
        rows += [(one.label, one.text(float(self.row[one.key]))) for one in judged]
        return small_table(repr(self)[1:-1], ("part, metric", "value"), rows)

    @property
    def row(self) -> pd.Series:
        """The chosen row."""
        return _row(self.table, self.number)


def choose(
    table: pd.DataFrame, specification: Specification | str | os.PathLike[str], number: int | None = None
) -> Choice:
    """Return the best candidate of a sweep of this specification, or the one named.

    With the reasons in words.

    Parameters
    ----------
    table : pandas DataFrame
        What sweep gave.
    specification : Specification
        What was asked: a Specification, or a design file's path.
    number : int or None
        A row of the table, for those who have a reason to take another; None: the first in rank.

    Returns
    -------
    Choice

    Raises
    ------
    ParameterError
        For a table without rows.

    Examples
    --------
    >>> import envlab
    >>> from envlab.sound.signals import tone
    >>> hum = envlab.Recording(tone(60.0, 1.0, 2.0, 8000.0), 8000.0, name="hum")
    >>> asked = envlab.Specification(
    ...     envlab.Chain(),
    ...     clips=[envlab.Clip(hum, 92.0, ("beat",))],
    ...     ranges={"detector.release_ohm": (47e3, 100e3)},
    ...     targets=envlab.Targets((envlab.Target("ripple_db", "at_most", 0.5, 1.0),)),
    ... )
    >>> choice = envlab.choose(envlab.sweep(asked), asked)
    >>> choice.chain.detector.release_ohm
    100000.0
    """
    specification = as_specification(specification)
    if table.empty:
        raise ParameterError("table", "a sweep without candidates", "at least one row")
    ranking = rank_candidates(table, specification)
    ranked = ranking.table
    number = ranking.order[0] if number is None else number
    row = _row(ranked, number)
    chain = with_values(
        specification.chain, tuple(specification.ranges), [_plain(row[key]) for key in specification.ranges]
    )
    known = specification.targets.known_in(ranked)
    choice = Choice(
        table=ranked,
        number=number,
        chain=chain,
        meets_all=bool(row["violation"] == 0 and row["flash_safe"]),
        flash_safe=bool(row["flash_safe"]),
        left_out=tuple(target for target in specification.targets.soft if target not in known),
        edges=_edges(specification, row),
        flash_cost_lstar=_flash_cost_lstar(ranking, number),
        sentences=(),
        ranking=ranking,
    )
    return replace(choice, sentences=told(choice, specification))


def _flash_cost_lstar(ranking: Ranking, number: int) -> float:
    """Contrast, L*, that the most of the candidates beyond the limit has more that miss nothing by more."""
    mine, contrast = ranking.misses(number), contrast_of(ranking.table)
    beyond = np.flatnonzero((ranking.table[FLASH_METRIC].notna() & ~ranking.table["flash_safe"]).to_numpy())
    others = [row for row in beyond if ranking.misses(int(row)) <= mine]
    more = max((float(contrast[row] - contrast[number]) for row in others), default=0.0)
    return max(0.0, more) if ranking.table["flash_safe"].iloc[number] else 0.0


def _plain(value: object) -> Any:
    """A number out of a table as the part had it before it went in, whole numbers whole."""
    return value.item() if isinstance(value, np.generic) else value


def _row(table: pd.DataFrame, number: int) -> pd.Series:
    return table.iloc[number]


def _edges(specification: Specification, row: pd.Series) -> tuple[str, ...]:
    edges = []
    for key, choices in specification.ranges.items():
        values = choices.values if isinstance(choices, PartRange) else choices
        if isinstance(choices, PartRange) and len(values) > 1 and row[key] in (values[0], values[-1]):
            edges.append(key)
    return tuple(edges)


def told(choice: Choice, specification: Specification) -> tuple[Sentence, ...]:
    """Return what a choice says of itself, with what is known of its boards; of KINDS."""
    return tuple(_sentences(choice, specification))


def _sentences(choice: Choice, specification: Specification) -> Iterator[Sentence]:
    limit = specification.targets.flash_limit
    asked = specification.targets.known_in(choice.table)
    yield _headline(choice, specification)
    some_left_out = bool(choice.left_out) or any(True for _ in _unjudged(choice, specification))
    yield verdict(choice.ranking, choice.number, asked, limit, some_left_out=some_left_out)
    if choice.flash_safe:
        yield from replaced_words(choice.ranking.replaced)
        yield from at_odds_words(at_odds(choice.ranking, asked))
    if choice.boards is not None:
        counting = (
            "every target that counts" if choice.ranking.replaced or choice.left_out else "every target"
        )
        first = _first_words(choice, specification)
        yield from board_words(choice.boards, choice.number, first, limit, counting)
    if choice.flashes_judged:
        yield from _neighbours(choice, specification)
    if choice.flash_cost_lstar > 0.5:
        yield Sentence(
            "flash_cost",
            f"Flash safety costs {choice.flash_cost_lstar:.0f} L* of contrast: other parts would show the "
            f"beat more, and flash more than {limit:g} times in a second.",
            {"contrast_lstar": choice.flash_cost_lstar, FLASH_METRIC: limit},
        )
    for key in choice.edges if choice.flashes_judged else ():
        yield Sentence(
            "edge",
            f"{part_name(key, choice.chain)} sits at the edge of its range "
            f"({value_of_key(key, choice.row[key])}): widen [sweep.{key.split('.')[0]}] "
            f"{key.split('.')[1]} to see whether a value beyond is better.",
            {"key": key, "value": choice.row[key]},
        )
    yield from _unjudged(choice, specification)
    for target in choice.left_out:
        yield Sentence(
            "not_judged",
            f"Not judged: {target.words()}, for {why_no_clip(target.metric, specification, choice.chain)}.",
            {"metric": target.metric},
        )


def _unjudged(choice: Choice, specification: Specification) -> Iterator[Sentence]:
    """Each clip on which something is not judged, with the reason."""
    for clip in specification.clips:
        if not unjudged(choice.row, clip):
            continue
        for what, reason in clip_reasons(clip, choice.chain).items():
            yield Sentence(
                "not_judged",
                f"On {clip.label} {what} could be judged: {reason}.",
                {"clip": clip.label, "reason": reason},
            )


def _first_words(choice: Choice, specification: Specification) -> str:
    """The parts of the first in rank that are others than the chosen ones, as in "R4 (attack) = 3k3"."""
    assert choice.boards is not None
    first = _row(choice.table, choice.boards.first)
    return ", ".join(
        f"{part_name(key, choice.chain)} = {value_of_key(key, first[key])}"
        for key in specification.ranges
        if first[key] != choice.row[key]
    )


def _headline(choice: Choice, specification: Specification) -> Sentence:
    parts = {
        part.key: f"{part.reference} = {part.value_text} ({part.role})"
        for part in parts_list(choice.chain, specification.ranges)
        if part.key in specification.ranges
    }
    # What is no part, as the reference node or the firmware's follower, has a word too.
    swept = [*parts.values(), *(part_words(key, choice) for key in specification.ranges if key not in parts)]
    safe = int(choice.table["flash_safe"].sum())
    meeting = int(((choice.table["violation"] == 0) & choice.table["flash_safe"]).sum())
    if len(choice.table) == 1:
        return Sentence("headline", "Nothing was swept: the design was judged as it is.", {"candidates": 1})
    if not choice.flashes_judged:
        text = f"None of {len(choice.table)} candidates could be judged; shown is one: {', '.join(swept)}."
        return Sentence("headline", text, {"candidates": len(choice.table), "judged": 0})
    return Sentence(
        "headline",
        f"Chosen out of {len(choice.table)} candidates, of which {safe} keep the flash limit and {meeting} "
        f"meet every target: {', '.join(swept)}.",
        {"candidates": len(choice.table), "flash_safe": safe, "meeting": meeting},
    )


def _neighbours(choice: Choice, specification: Specification) -> list[Sentence]:
    """What the next smaller and the next larger value of each swept part would lose."""
    lines = []
    trials, finals = ({}, {}) if choice.boards is None else (choice.boards.trials, choice.boards.finals)
    for key in specification.ranges:
        notes, behind = [], {"key": key, "value": choice.row[key]}
        for number in neighbours(choice.table, choice.number, specification.ranges, key):
            value = value_of_key(key, _row(choice.table, number)[key])
            limit = specification.targets.flash_limit
            loss = loss_of(choice.ranking, number, choice.number, trials, finals, limit)
            notes.append(f"{value} {loss.text}")
            behind[value] = loss.why
        if notes:
            text = (
                f"{part_name(key, choice.chain)} = {value_of_key(key, choice.row[key])}: {'; '.join(notes)}."
            )
            lines.append(Sentence("neighbour", text, behind))
    return lines


def part_words(key: str, choice: Choice) -> str:
    """As in "R4 (attack) = 4k7"."""
    return f"{part_name(key, choice.chain)} = {value_of_key(key, choice.row[key])}"


def part_name(key: str, chain: Chain) -> str:
    """Return what a swept part is called, as in "R4 (attack)"; key: "stage.key"."""
    name = key.split(".")[1].rsplit("_", 1)[0].replace("_", " ")
    known = [part.reference for part in parts_list(chain) if part.key == key]
    return f"{known[0]} ({name})" if known else name.capitalize()
