"""Whether a choice meets what is asked, what nobody meets, and what its boards do: sentences."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.study.sentences import Sentence
from envlab.study.specification.targets import Target
from envlab.study.sweep.neighbour_words import board_count
from envlab.study.sweep.ranking import Ranking, Replaced
from envlab.study.sweep.trial import BoardTrials
from envlab.study.tolerance.words import percent_text


def verdict(
    ranking: Ranking, number: int, asked: Sequence[Target], limit: float, *, some_left_out: bool
) -> Sentence:
    """Return what a candidate, row number, meets of what is asked.

    asked: the soft targets that some clip could judge. limit: most flashes in any second.
    """
    row = ranking.table.iloc[number]
    flashes = float(row[FLASH_METRIC])
    if np.isnan(flashes):
        return Sentence(
            "verdict",
            "Flashes were not judged: no clip can show them. So it is not known whether this may be worn, "
            "and no table is written.",
            {"outcome": "not judged"},
        )
    if not row["flash_safe"]:
        return Sentence(
            "verdict",
            f"No candidate keeps the flash limit: this one flashes {flashes:.0f} times in its "
            f"worst second, at most {limit:g} are allowed. No table is written. "
            "Try longer release values, or a wider span between floor and ceiling.",
            {"outcome": "flashes", FLASH_METRIC: flashes},
        )
    if row["violation"] > 0:
        return _misses(ranking, number, asked)
    contrast, latency = float(row["beat_contrast_lstar"]), float(row["onset_lag_worst_ms"])
    beat = f"contrast on the beat is {contrast:.1f} L* on the clip where it is least, "
    return Sentence(
        "verdict",
        f"It meets every target{' that could be judged' if some_left_out else ''}: "
        f"{beat if np.isfinite(contrast) else ''}the light follows the sound within "
        f"{latency:.0f} ms, and the worst second has {flashes:.0f} flashes.",
        {
            "outcome": "meets all",
            "beat_contrast_lstar": contrast,
            "onset_lag_worst_ms": latency,
            FLASH_METRIC: flashes,
        },
    )


def _misses(ranking: Ranking, number: int, asked: Sequence[Target]) -> Sentence:
    table, row = ranking.table, ranking.table.iloc[number]
    missed = sorted(
        (target for target in asked if _miss(target, float(row[target.metric])) > 0),
        key=lambda target: -_miss(target, float(row[target.metric])),
    )
    listed = "; ".join(f"{one.words()} (it has {_text(one, float(row[one.metric]))})" for one in missed)
    meeting = int(((table["violation"] == 0) & table["flash_safe"]).sum())
    first = missed[0]
    text = f"It misses {listed}. "
    if meeting:
        some = "1 candidate meets" if meeting == 1 else f"{meeting} candidates meet"
        text += f"{some} every target as designed, but lost to this one for the reasons below."
    else:
        text += "No candidate meets every target."
    behind: dict[str, float | str] = {
        "outcome": "misses",
        "metric": first.metric,
        "value": float(row[first.metric]),
        "meeting": meeting,
    }
    return Sentence("verdict", text, behind)


def _miss(target: Target, value: float) -> float:
    return float(np.nan_to_num(target.violation(np.asarray(value)), nan=np.inf))


def _text(target: Target, value: float) -> str:
    return METRICS[target.metric].text(value)


def replaced_words(replaced: Sequence[Replaced]) -> list[Sentence]:
    """Return one sentence for each target that nobody meets: the best reached, what is ranked by instead."""
    lines = []
    for one in replaced:
        best = _text(one.target, one.best)
        text = (
            f"No candidate that keeps the flash limit meets {one.target.words()} "
            f"({METRICS[one.target.metric].says}): the best reaches {best}. "
        )
        behind: dict[str, float | str] = {"metric": one.target.metric, "best": one.best}
        if one.ranked is None:
            text += "So it is left out of the ranking."
        else:
            limit = _text(one.target, one.ranked.limit)
            text += f"So all are ranked and boards judged as if {limit} were asked."
            behind["ranked"] = one.ranked.limit
        lines.append(Sentence("unreachable", text, behind))
    return lines


def eased_words(replaced: Sequence[Replaced]) -> list[Sentence]:
    """Return what is to be said before a yield that is counted by replaced targets; nothing without any."""
    if not replaced:
        return []
    told = "; ".join(
        f"{one.target.words()} is left aside" if one.ranked is None else f"{_easier_words(one)} is asked"
        for one in replaced
    )
    behind: dict[str, float | str] = {"replaced": ", ".join(one.target.metric for one in replaced)}
    return [Sentence("yield", f"Of boards, every target means what some candidate meets: {told}.", behind)]


def _easier_words(one: Replaced) -> str:
    """The target that stands in the place of another, its limit in as many digits as its metric has."""
    assert one.ranked is not None
    metric = METRICS[one.ranked.metric]
    name = metric.name_in_text + ("," if "," in metric.label else "")
    return f"{name} {one.ranked.side.replace('_', ' ')} {metric.text(one.ranked.limit)}"


def at_odds(ranking: Ranking, asked: Sequence[Target]) -> tuple[Target, ...]:
    """Return targets that candidates meet one by one but none together, as few as can be; or none."""
    safe = ranking.table[ranking.table["flash_safe"]]
    alone = [one for one in ranking.ranked if one in asked]
    met = {one: _met(one, safe[one.metric].to_numpy(float)) for one in alone}

    def together(targets: Sequence[Target]) -> bool:
        return bool(np.all([met[one] for one in targets], axis=0).any()) if targets else True

    if safe.empty or together(alone):
        return ()
    kept = list(alone)
    for one in alone:
        rest = [other for other in kept if other is not one]
        if not together(rest):
            kept = rest
    return tuple(kept)


def _met(target: Target, values: np.ndarray) -> np.ndarray:
    return np.asarray((target.violation(values) == 0) & ~np.isnan(values))


def at_odds_words(targets: Sequence[Target]) -> list[Sentence]:
    """Return the sentence on targets that cannot be had together, if there are any."""
    if not targets:
        return []
    named = " and ".join(one.words() for one in targets)
    return [
        Sentence(
            "at_odds",
            "No candidate that keeps the flash limit meets these together, though each is met by some: "
            f"{named}.",
            {"metrics": ", ".join(one.metric for one in targets)},
        )
    ]


def board_words(
    boards: BoardTrials, number: int, first_words: str, limit: float, counting: str
) -> list[Sentence]:
    """Return what boards of the choice, row number, and of the first in rank do.

    first_words: the parts in which the first in rank differs. limit: most flashes in any second. counting:
    what a good board meets, "every target" or "every target that counts".
    """
    if not boards.trials:
        text = (
            "Its boards were not tried, for they must be simulated one by one, which would take long: "
            "envlab tolerance does it."
        )
        return [Sentence("robustness", text, {"tried": 0})]
    lines = []
    flash = f"flash more than {limit:g} times in a second"
    if number != boards.first:
        final, trial = boards.finals.get(boards.first), boards.trials[boards.first]
        seen = trial if not trial.keeps or final is None or final.keeps else final
        why = (
            f"{board_count(seen)} of its boards {flash}, as parts lie a little off"
            if not seen.keeps
            else f"{seen.meeting} of its {seen.tried} boards meet {counting}, fewer than of the one taken"
        )
        behind: dict[str, float | str] = {"flashing": seen.flashing, "tried": seen.tried}
        lines.append(Sentence("robustness", f"First in rank was {first_words}. But {why}.", behind))
    lines += [_tried(boards, number, counting), _confirmed(boards, number, flash)]
    return lines


def _tried(boards: BoardTrials, number: int, counting: str) -> Sentence:
    trial = boards.trials[number]
    keeping = sum(one.keeps for one in boards.trials.values())
    some = f"{len(boards.trials)} candidates" if len(boards.trials) != 1 else "this design"
    text = f"Boards of {some} were tried, {trial.tried} of each or until one flashed too often. "
    if len(boards.trials) > 1:
        of = "none" if keeping == 0 else f"{keeping}"
        text += f"Of {of} of them all boards keep the flash limit. "
    if boards.spared:
        text += f"{boards.spared} more could at best come behind, and were not tried. "
    if trial.meeting is not None:
        text += f"Of this one {trial.meeting} of {trial.tried} meet {counting}."
    behind: dict[str, float | str] = {
        "candidates": len(boards.trials),
        "keeping": keeping,
        "spared": boards.spared,
        "tried": trial.tried,
        "meeting": -1 if trial.meeting is None else trial.meeting,
    }
    return Sentence("robustness", text.strip(), behind)


def _rounded(share: float, to: Callable[[float], int]) -> str:
    """An end of an interval, so that no more certainty is said than there is."""
    return f"{to(1000 * share) / 10:g} %"


def _confirmed(boards: BoardTrials, number: int, flash: str) -> Sentence:
    final = boards.finals[number]
    low, high = boards.interval(number)
    kept = final.tried - final.flashing
    if final.keeps:
        text = (
            f"Then {final.tried} other boards were drawn, and all keep the limit: with 95 % certainty at "
            f"least {_rounded(low, math.floor)} of all boards do."
        )
    else:
        text = (
            f"But of {final.tried} other boards {final.flashing} {flash} or do not work, and no candidate's "
            f"boards that were tried all keep the limit: {percent_text(kept / final.tried)} do, with 95 % "
            f"certainty {_rounded(low, math.floor)} to {_rounded(high, math.ceil)} of all boards. "
            "Try each one before it is worn."
        )
    behind: dict[str, float | str] = {
        "boards": final.tried, "flashing": final.flashing, "low": low, "high": high,
    }  # fmt: skip
    return Sentence("robustness", text, behind)
