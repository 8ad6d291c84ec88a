"""What each neighbour of a choice loses: the first thing in the order of ranking that speaks against it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.study.specification.targets import Target
from envlab.study.sweep.ranking import Ranking, whole_steps
from envlab.study.sweep.trial import Trial

if TYPE_CHECKING:
    import pandas as pd

# What may speak against a neighbour beside a metric: its boards, or nothing but its place in the list.
BOARDS_FLASH, BOARDS_MISS, UNTRIED, THE_SAME = "boards flash", "boards miss", "boards not tried", "the same"
# What a choice by hand may leave aside.
BETTER = "better"


@dataclass(frozen=True)
class Loss:
    """What speaks against a candidate beside the choice. why: a metric, or one of the words above."""

    why: str
    text: str


def loss_of(
    ranking: Ranking,
    other: int,
    chosen: int,
    trials: dict[int, Trial],
    finals: dict[int, Trial],
    limit: float,
) -> Loss:
    """Return what candidate other loses against the one that was chosen; both are rows.

    trials, finals: what boards did, of those that were tried; empty where none were. limit: most flashes in
    any second, as asked.
    """
    theirs, mine = ranking.table.iloc[other], ranking.table.iloc[chosen]
    counting = "every target that counts" if ranking.replaced else "every target"
    loss = (
        _flashes(theirs, mine)
        or _boards_flash(other, chosen, trials, finals, limit)
        or _misses(ranking, other, chosen)
        or _boards_miss(other, chosen, trials, counting)
        or _before(ranking, other, chosen)
        or _looks(theirs, mine)
    )
    if loss.why == THE_SAME:
        return Loss(loss.why, loss.text + _freely(other, chosen, trials))
    return Loss(loss.why, loss.text + _though(theirs, mine, loss.why))


def _flashes(theirs: pd.Series, mine: pd.Series) -> Loss | None:
    if theirs["flash_safe"] or (not mine["flash_safe"] and theirs[FLASH_METRIC] <= mine[FLASH_METRIC]):
        return None
    if np.isnan(theirs[FLASH_METRIC]):
        return Loss(FLASH_METRIC, "cannot be judged on these clips")
    return Loss(FLASH_METRIC, f"would flash {theirs[FLASH_METRIC]:.0f} times in a second")


def _boards_flash(
    other: int, chosen: int, trials: dict[int, Trial], finals: dict[int, Trial], limit: float
) -> Loss | None:
    """Boards flash: in the finals if both ran there, else in the trial."""
    told = f"of its boards flash more than {limit:g} times in a second"
    for tried in (finals, trials):
        theirs, mine = tried.get(other), tried.get(chosen)
        if theirs is None or theirs.keeps:
            continue
        if mine is None or theirs.flashing * mine.tried > mine.flashing * theirs.tried:
            return Loss(BOARDS_FLASH, f"would not do: {board_count(theirs)} {told}")
    return None


def board_count(trial: Trial) -> str:
    """As in "3 of 64", or "at least 3" where not all boards were played.

    Those that were played are no sample of all then: boards on which other candidates flash come first.
    """
    if trial.meeting is None:
        return f"at least {trial.flashing}"
    return f"{trial.flashing} of {trial.tried}"


def _misses(ranking: Ranking, other: int, chosen: int) -> Loss | None:
    """The target that decides: of those that the other misses by more, the one it misses most."""
    if ranking.misses(other) <= ranking.misses(chosen):
        return None
    theirs, mine = ranking.table.iloc[other], ranking.table.iloc[chosen]

    def steps(target: Target, row: pd.Series) -> float:
        miss = float(target.violation(np.asarray(row[target.metric], dtype=float)))
        return np.inf if np.isnan(miss) else float(whole_steps(np.asarray(miss)))

    worse = [target for target in ranking.ranked if steps(target, theirs) > steps(target, mine)]
    target = max(worse, key=lambda one: steps(one, theirs))
    value = METRICS[target.metric].text(float(theirs[target.metric]))
    asked = next((one.target for one in ranking.replaced if one.ranked == target), target)
    how = "by more " if asked is not target or steps(target, mine) > 0 else ""
    return Loss(target.metric, f"would miss {how}the target {asked.words()} ({value})")


def _boards_miss(other: int, chosen: int, trials: dict[int, Trial], counting: str) -> Loss | None:
    mine, theirs = trials.get(chosen), trials.get(other)
    if mine is None or mine.meeting is None:
        return None
    if (theirs is None or theirs.meeting is None) and mine.meeting < mine.tried:
        return Loss(UNTRIED, "was not tried with boards")
    if theirs is None or theirs.meeting is None:
        # It was not worth trying: with all boards good it would only have stood beside the choice.
        return None
    if theirs.meeting >= mine.meeting:
        return None
    told = f"{theirs.meeting} of {theirs.tried} boards would meet {counting} instead of {mine.meeting}"
    return Loss(BOARDS_MISS, f"would give fewer good boards: {told}")


def _before(ranking: Ranking, other: int, chosen: int) -> Loss | None:
    """Of a choice that was made by hand: what the other would do better, first in the order of ranking."""
    theirs, mine = ranking.table.iloc[other], ranking.table.iloc[chosen]
    if ranking.misses(other) < ranking.misses(chosen):
        return Loss(BETTER, "stands before it in rank: it misses less of what is asked")
    if ranking.misses(other) > ranking.misses(chosen):
        return None
    more, sooner = (_rounded_lstar(theirs) - _rounded_lstar(mine), _latency_ms(mine) - _latency_ms(theirs))
    if more > 0:
        return Loss(BETTER, "stands before it in rank: it shows the beat more")
    if more == 0 and sooner > 0:
        return Loss(BETTER, "stands before it in rank: it follows the sound sooner")
    return None


def _rounded_lstar(row: pd.Series) -> int:
    return round(float(np.nan_to_num(float(row["beat_contrast_lstar"]))))


def _latency_ms(row: pd.Series) -> float:
    return float(row["onset_lag_worst_ms"])


def _freely(other: int, chosen: int, trials: dict[int, Trial]) -> str:
    """By what rule one of two equals was taken, and of what they are equals beside the contrast."""
    boards = " and no fewer of its boards are good" if other in trials and chosen in trials else ""
    return f"{boards}; of equals the first in the list is taken"


def _looks(theirs: pd.Series, mine: pd.Series) -> Loss:
    contrast = np.nan_to_num(float(theirs["beat_contrast_lstar"] - mine["beat_contrast_lstar"]))
    latency = float(theirs["onset_lag_worst_ms"] - mine["onset_lag_worst_ms"])
    mine_lstar, theirs_lstar = (np.nan_to_num(float(one["beat_contrast_lstar"])) for one in (mine, theirs))
    if round(theirs_lstar) < round(mine_lstar):
        return Loss("beat_contrast_lstar", f"would show the beat less: contrast {_signed(contrast)} L*")
    if latency > 0:
        return Loss("onset_lag_worst_ms", f"would follow the sound later: latency {_signed(latency)} ms")
    if theirs_lstar == mine_lstar:
        return Loss(THE_SAME, "would do the same")
    return Loss(THE_SAME, "would do as well: less than 1 L* lies between them")


def _though(theirs: pd.Series, mine: pd.Series, why: str) -> str:
    """What a neighbour would have had more, so that the price of the choice is seen."""
    contrast = np.nan_to_num(float(theirs["beat_contrast_lstar"] - mine["beat_contrast_lstar"]))
    if why in ("beat_contrast_lstar", BETTER) or contrast < 0.05:
        return ""
    return f", though with {contrast:.1f} L* more contrast"


def _signed(change: float) -> str:
    return f"{change:+.2g}".replace("-", "−")
