"""Who leads before all is known: said while a long run goes on, and called what it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from envlab.study.sentences import Sentence
from envlab.study.specification.specification import Specification
from envlab.study.sweep.choice import part_name
from envlab.study.sweep.ranking import rank_candidates
from envlab.units import value_of_key

if TYPE_CHECKING:
    import pandas as pd

MOST_LEADERS = 3


def leaders(table: pd.DataFrame, specification: Specification, clips: int) -> Sentence:
    """Return who leads so far, as a sentence of the kind "provisional".

    table: candidates with the metrics of the first clips, so many of the specification's; no board was tried.
    Of candidates that flash too often on some clip it is said for good, for no further clip makes up for it.
    """
    ranking = rank_candidates(table, specification)
    safe = ranking.table["flash_safe"].to_numpy(bool)
    limit, of = specification.targets.flash_limit, len(specification.clips)
    so_far = f"after {clips} of {of} clips" if clips < of else f"after {_all_clips(of)}, before any boards"
    behind: dict[str, float | str] = {"clips": clips, "flash_safe": int(safe.sum())}
    if np.isnan(ranking.table["flashes_per_s"].to_numpy(float)).all():
        text = f"Provisional, {so_far}: nothing can be said yet of how often candidates flash."
        return Sentence("provisional", text, behind)
    if not safe.any():
        text = f"{so_far[0].upper()}{so_far[1:]} no candidate keeps the flash limit of {limit:g} a second."
        return Sentence("provisional", text, behind)
    first = [row for row in ranking.distinct() if safe[row]][:MOST_LEADERS]
    behind |= {f"place {place}": row for place, row in enumerate(first, 1)}
    named = "; then ".join(_named(ranking.table, row, specification) for row in first)
    text = f"Provisional, {so_far}: {safe.sum()} of {len(safe)} candidates keep the flash limit; {named}."
    return Sentence("provisional", text, behind)


def _all_clips(count: int) -> str:
    return "the clip" if count == 1 else f"all {count} clips"


def _named(table: pd.DataFrame, row: int, specification: Specification) -> str:
    parts = (
        f"{part_name(key, specification.chain)} = {value_of_key(key, table.iloc[row][key])}"
        for key in specification.ranges
    )
    return ", ".join(parts)
