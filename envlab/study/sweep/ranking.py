"""The order of candidates: who misses what by how much, and what to do with a target that nobody meets.

A target that no candidate within the flash limit meets would make all of them miss by much, and switch off
every other target. For ranking and yield it is replaced: by the best value that such a candidate reaches plus
a tenth of its scale (less, where at least so much is asked).

Rank: flash limit first; then the misses of the targets so replaced, rounded down to whole steps of MISS_STEP,
worst first; then beat contrast rounded to 1 L*, then worst onset latency, then the candidate's number. How
many boards keep the limit, and meet the targets, comes in between once boards are tried (board_trials.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target, Targets
from envlab.units import BoolArray, FloatArray

if TYPE_CHECKING:
    import pandas as pd

MISS_STEP = 0.02
# So much of its scale is a replaced target easier than the best value that was reached.
EASED_BY = 0.1
# A quotient such as 0.6/0.02 must not fall under its whole number.
_ROUNDING = 1e-9
# Metrics that agree in so many digits tell no two candidates apart.
_DIGITS = 6


@dataclass(frozen=True)
class Replaced:
    """A target that nobody within the flash limit meets. best: the best value reached, in its unit.

    ranked: what stands in its place; None where no value reached is a number.
    """

    target: Target
    best: float
    ranked: Target | None


@dataclass(frozen=True, eq=False)
class Ranking:
    """Every candidate's place. table: the sweep's, with violation, blocking_target, flash_safe and rank.

    replaced: targets that nobody meets. ranked: all that count, those replaced in their new form. steps:
    misses of each candidate in whole steps, falling, shape (candidates, targets).
    """

    table: pd.DataFrame
    replaced: tuple[Replaced, ...]
    ranked: tuple[Target, ...]
    steps: FloatArray

    @property
    def order(self) -> list[int]:
        """Rows from the first in rank to the last."""
        return [int(row) for row in np.argsort(self.table["rank"].to_numpy(), kind="stable")]

    def misses(self, row: int) -> tuple[float, ...]:
        """Return a candidate's misses, whole steps, the worst first."""
        return tuple(float(step) for step in self.steps[row])

    def distinct(self) -> list[int]:
        """Return the rows in order of rank, without those whose metrics are those of an earlier one.

        Metrics are compared to six digits. Such candidates differ in parts alone, as ten times the
        capacitance with a tenth of both resistances.
        """
        known = [metric for metric in METRICS if metric in self.table]
        values = self.table[known].to_numpy(float)
        seen: set[tuple[str, ...]] = set()
        rows = []
        for row in self.order:
            looks = tuple(f"{value:.{_DIGITS}g}" for value in values[row])
            if looks not in seen:
                seen.add(looks)
                rows.append(row)
        return rows

    def specification(self, asked: Specification) -> Specification:
        """Return the question with the targets that count, by which boards are judged."""
        flash = [target for target in asked.targets.items if target.metric == FLASH_METRIC]
        return replace(asked, targets=Targets((*flash, *self.ranked)))


def rank_candidates(table: pd.DataFrame, specification: Specification) -> Ranking:
    """Return every candidate's place.

    In its table: violation, the worst miss of all targets as they are asked, 0 for none; blocking_target, the
    target of that miss, or the flash limit; flash_safe; rank, 1 is the best.
    """
    limit = specification.targets.flash_limit
    known = specification.targets.known_in(table)
    flashes = table[FLASH_METRIC].to_numpy(float)
    flash_safe: BoolArray = flashes <= limit
    misses = _misses(table, known)
    violation = misses.max(axis=0)
    texts = np.array([target.text() for target in known] or [""])
    blocking = np.where(violation > 0, texts[misses.argmax(axis=0)], "")
    over = np.where(np.isnan(flashes), f"{FLASH_METRIC} not judged", f"{FLASH_METRIC} at most {limit:g}")
    blocking = np.where(flash_safe, blocking, over)
    replaced = tuple(_replaced(table, known, flash_safe))
    of = {one.target: one.ranked for one in replaced}
    ranked = tuple(now for target in known if (now := of.get(target, target)) is not None)
    steps = -np.sort(-whole_steps(_misses(table, ranked)), axis=0)
    order = np.lexsort(
        (
            np.arange(len(table)),
            table["onset_lag_worst_ms"].to_numpy(float),
            -np.round(contrast_of(table)),
            *steps[::-1],
            np.where(flash_safe, 0, np.nan_to_num(flashes, nan=np.inf)),
        )
    )
    rank = np.empty(len(table), dtype=int)
    rank[order] = np.arange(1, len(table) + 1)
    told = table.assign(violation=violation, blocking_target=blocking, flash_safe=flash_safe, rank=rank)
    return Ranking(told, replaced, ranked, steps.T)


def whole_steps(misses: FloatArray) -> FloatArray:
    """Return misses, in scales, as whole steps of MISS_STEP, rounded down; any shape."""
    return np.asarray(np.floor(np.asarray(misses) / MISS_STEP + _ROUNDING))


def contrast_of(table: pd.DataFrame) -> FloatArray:
    """Return the contrast on the beat, L*, shape (candidates,); 0 where it is not judged."""
    return np.asarray(np.nan_to_num(table["beat_contrast_lstar"].to_numpy(float), nan=0.0))


def _misses(table: pd.DataFrame, targets: Sequence[Target]) -> FloatArray:
    """Misses in scales, shape (targets, candidates), at least one row; endless where not judged."""
    if not targets:
        return np.zeros((1, len(table)))
    found = [target.violation(table[target.metric].to_numpy(float)) for target in targets]
    return np.nan_to_num(np.array(found), nan=np.inf, posinf=np.inf)


def _replaced(table: pd.DataFrame, known: Sequence[Target], flash_safe: BoolArray) -> list[Replaced]:
    found = []
    for target in known:
        values = table[target.metric].to_numpy(float)[flash_safe]
        values = values[~np.isnan(values)]
        if not values.size or (target.violation(values) == 0).any():
            continue
        best = float(values.min() if target.side == "at_most" else values.max())
        easier = EASED_BY * target.scale * (1 if target.side == "at_most" else -1)
        ranked = replace(target, limit=best + easier) if np.isfinite(best) else None
        found.append(Replaced(target, best, ranked))
    return found
