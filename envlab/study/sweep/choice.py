"""Which candidate, and why: ranking by the targets, and the words that explain it.

The violation of a candidate is the largest of its targets' violations. The flash limit is hard: a candidate
beyond it is chosen only if there is no other, and then it is said. Rank: violation, then beat contrast
rounded to 1 L*, then worst onset latency, then the candidate's number.
"""

from __future__ import annotations

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
from envlab.study.sweep.pareto import neighbours
from envlab.units import FloatArray, value_of_key

if TYPE_CHECKING:
    import pandas as pd

# What a choice may say, in the order in which it is told.
KINDS = (
    *("headline", "verdict", "robustness", "mitigation"),
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

    @property
    def words(self) -> tuple[str, ...]:
        """What the choice says, one sentence or two a line, the headline first."""
        return texts(of_kind(self.sentences, *KINDS))

    def __repr__(self) -> str:
        said = "all targets met" if self.meets_all else f"violation {self.row['violation']:.2g}"
        safe = "" if self.flash_safe else ", flash limit not kept"
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


def rank_candidates(table: pd.DataFrame, specification: Specification) -> pd.DataFrame:
    """Return the table with violation (0 meets all), blocking_target, flash_safe and rank added."""
    known = specification.targets.known_in(table)
    misses = np.array([target.violation(table[target.metric].to_numpy(float)) for target in known])
    misses = misses if known else np.zeros((1, len(table)))
    violation = misses.max(axis=0)
    texts = np.array([target.text() for target in known] or [""])
    flashes = table[FLASH_METRIC].to_numpy(float)
    flash_safe = flashes <= specification.targets.flash_limit
    blocking = np.where(violation > 0, texts[misses.argmax(axis=0)], "")
    blocking = np.where(flash_safe, blocking, f"{FLASH_METRIC} at most {specification.targets.flash_limit:g}")
    order = np.lexsort(
        (
            np.arange(len(table)),
            table["onset_lag_worst_ms"].to_numpy(float),
            -np.round(_contrast(table)),
            violation,
            np.where(flash_safe, 0, flashes),
        )
    )
    rank = np.empty(len(table), dtype=int)
    rank[order] = np.arange(1, len(table) + 1)
    return table.assign(violation=violation, blocking_target=blocking, flash_safe=flash_safe, rank=rank)


def _contrast(table: pd.DataFrame) -> FloatArray:
    return np.asarray(np.nan_to_num(table["beat_contrast_lstar"].to_numpy(float), nan=0.0))


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
    ranked = rank_candidates(table, specification)
    number = int(ranked["rank"].to_numpy().argmin()) if number is None else number
    row = _row(ranked, number)
    chain = with_values(
        specification.chain, tuple(specification.ranges), [_plain(row[key]) for key in specification.ranges]
    )
    unlimited = ranked.sort_values(
        ["violation", "beat_contrast_lstar"], ascending=[True, False], kind="stable"
    ).iloc[0]
    better = unlimited["violation"] <= row["violation"] and not unlimited["flash_safe"]
    cost = float(unlimited["beat_contrast_lstar"] - row["beat_contrast_lstar"]) if better else 0.0
    known = specification.targets.known_in(ranked)
    choice = Choice(
        table=ranked,
        number=number,
        chain=chain,
        meets_all=bool(row["violation"] == 0 and row["flash_safe"]),
        flash_safe=bool(row["flash_safe"]),
        left_out=tuple(target for target in specification.targets.soft if target not in known),
        edges=_edges(specification, row),
        flash_cost_lstar=max(0.0, cost if np.isfinite(cost) else 0.0),
        sentences=(),
    )
    return replace(choice, sentences=tuple(_sentences(choice, specification)))


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


def _sentences(choice: Choice, specification: Specification) -> Iterator[Sentence]:
    yield _headline(choice, specification)
    yield _verdict(choice, specification)
    yield from _neighbours(choice, specification)
    if choice.flash_cost_lstar > 0.5:
        yield Sentence(
            "flash_cost",
            f"Flash safety costs {choice.flash_cost_lstar:.0f} L* of contrast: other parts would show the "
            f"beat more, and flash more than {specification.targets.flash_limit:g} times in a second.",
            {"contrast_lstar": choice.flash_cost_lstar, FLASH_METRIC: specification.targets.flash_limit},
        )
    for key in choice.edges:
        yield Sentence(
            "edge",
            f"{_part_name(key, choice.chain)} sits at the edge of its range "
            f"({value_of_key(key, choice.row[key])}): widen [sweep.{key.split('.')[0]}] "
            f"{key.split('.')[1]} to see whether a value beyond is better.",
            {"key": key, "value": choice.row[key]},
        )
    for target in choice.left_out:
        yield Sentence(
            "not_judged",
            f"Not judged: {target.words()}. The clips lack the tag, or the second level, that it needs.",
            {"metric": target.metric},
        )


def _headline(choice: Choice, specification: Specification) -> Sentence:
    swept = [
        f"{part.reference} = {part.value_text} ({part.role})"
        for part in parts_list(choice.chain, specification.ranges)
        if part.key in specification.ranges
    ]
    safe = int(choice.table["flash_safe"].sum())
    meeting = int(((choice.table["violation"] == 0) & choice.table["flash_safe"]).sum())
    if len(choice.table) == 1:
        return Sentence("headline", "Nothing was swept: the design was judged as it is.", {"candidates": 1})
    return Sentence(
        "headline",
        f"Chosen out of {len(choice.table)} candidates, of which {safe} keep the flash limit and {meeting} "
        f"meet every target: {', '.join(swept)}.",
        {"candidates": len(choice.table), "flash_safe": safe, "meeting": meeting},
    )


def _verdict(choice: Choice, specification: Specification) -> Sentence:
    row = choice.row
    if not choice.flash_safe:
        return Sentence(
            "verdict",
            f"No candidate keeps the flash limit: this one flashes {row[FLASH_METRIC]:.0f} times in its "
            f"worst second, at most {specification.targets.flash_limit:g} are allowed. No table is written. "
            "Try longer release values, or a wider span between floor and ceiling.",
            {"outcome": "flashes", FLASH_METRIC: float(row[FLASH_METRIC])},
        )
    if choice.meets_all:
        contrast = row["beat_contrast_lstar"]
        beat = f"contrast on the beat is {contrast:.1f} L* on the clip where it is least, "
        return Sentence(
            "verdict",
            f"It meets every target{' that could be judged' if choice.left_out else ''}: "
            f"{beat if np.isfinite(contrast) else ''}the light follows the sound within "
            f"{row['onset_lag_worst_ms']:.0f} ms, and the worst second has {row[FLASH_METRIC]:.0f} flashes.",
            {
                "outcome": "meets all",
                "beat_contrast_lstar": float(contrast),
                "onset_lag_worst_ms": float(row["onset_lag_worst_ms"]),
                FLASH_METRIC: float(row[FLASH_METRIC]),
            },
        )
    target = next(t for t in specification.targets.soft if t.text() == row["blocking_target"])
    meaning = METRICS[target.metric].says
    return Sentence(
        "verdict",
        f"No candidate meets every target. The one that blocks is {target.words()} ({meaning}): the best "
        f"that was found has {METRICS[target.metric].text(row[target.metric])}.",
        {"outcome": "misses", "metric": target.metric, "value": float(row[target.metric])},
    )


def _neighbours(choice: Choice, specification: Specification) -> list[Sentence]:
    """What the next smaller and the next larger value of each swept part would change."""
    lines = []
    known = specification.targets.known_in(choice.table)
    for key in specification.ranges:
        notes, behind = [], {"key": key, "value": choice.row[key]}
        for number in neighbours(choice.table, choice.number, specification.ranges, key):
            neighbour = _row(choice.table, number)
            difference, why = _difference(neighbour, choice.row, known)
            notes.append(f"{value_of_key(key, neighbour[key])} {difference}")
            behind[value_of_key(key, neighbour[key])] = why
        if notes:
            text = (
                f"{_part_name(key, choice.chain)} = {value_of_key(key, choice.row[key])}: {'; '.join(notes)}."
            )
            lines.append(Sentence("neighbour", text, behind))
    return lines


def _difference(other: pd.Series, row: pd.Series, targets: tuple[Target, ...]) -> tuple[str, str]:
    """The first thing that makes a neighbour worse, else how it differs in contrast and latency; and why.

    Why: the metric that speaks against it, "looks" where only contrast or latency differ, "nothing".
    """
    if not other["flash_safe"] and (row["flash_safe"] or other[FLASH_METRIC] > row[FLASH_METRIC]):
        return f"would flash {other[FLASH_METRIC]:.0f} times in a second", FLASH_METRIC
    if other["violation"] > row["violation"]:
        target = max(targets, key=lambda t: float(t.violation(np.asarray(other[t.metric]))))
        missed = (
            f"would miss the target {target.words()} ({METRICS[target.metric].text(other[target.metric])})"
        )
        return missed, target.metric
    contrast = np.nan_to_num(float(other["beat_contrast_lstar"] - row["beat_contrast_lstar"]))
    latency = other["onset_lag_worst_ms"] - row["onset_lag_worst_ms"]
    changes = [f"contrast by {_signed(contrast)} L*"] if abs(contrast) >= 0.05 else []
    changes += [f"latency by {_signed(latency)} ms"] if abs(latency) >= 0.05 else []
    return (
        (f"would change {' and '.join(changes)}", "looks") if changes else ("would look the same", "nothing")
    )


def _signed(change: float) -> str:
    return f"{change:+.1f}".replace("-", "−")


def part_words(key: str, choice: Choice) -> str:
    """As in "R4 (attack) = 4k7"."""
    return f"{_part_name(key, choice.chain)} = {value_of_key(key, choice.row[key])}"


def _part_name(key: str, chain: Chain) -> str:
    """As in "R4 (attack)"."""
    name = key.split(".")[1].rsplit("_", 1)[0].replace("_", " ")
    known = [part.reference for part in parts_list(chain) if part.key == key]
    return f"{known[0]} ({name})" if known else name.capitalize()
