"""Whether the choice stands on an edge, and the neighbour that does not.

The best of a sweep tends to be the one that only just keeps the flash limit. Its boards, whose parts lie a
little off, then break it one time in two; and that limit is hard. So the first in rank is built TRIED_BOARDS
times, as tolerance.py builds boards. If fewer than SURE of them keep the limit, its neighbours in the sweep
are built too: those with one swept part a step off that meet all that the first meets. The best in rank of
those that are sure is taken instead; where there is none, the one that gains most, and again from there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from envlab.chain import Chain
from envlab.engine.side_by_side import runs_side_by_side
from envlab.errors import ParameterError
from envlab.study.sentences import Sentence
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification
from envlab.study.sweep import pareto
from envlab.study.sweep.choice import Choice, choose, part_words
from envlab.study.tolerance.board_metrics import BoardJudge
from envlab.study.tolerance.tolerances import board_of, draw, levels_off_db, varied_parameters
from envlab.study.tolerance.words import percent_text

Progress = Callable[[str, float], None]

TRIED_BOARDS = 64
SURE = 0.95
# A smaller gain may be chance among so few boards.
LEAST_GAIN = 0.1
MOST_STEPS = 3


def robust_choice(
    choice: Choice, specification: Specification, *, workers: int = 2, progress: Progress | None = None
) -> Choice:
    """Return the choice, or the neighbour whose boards keep the flash limit, with the reason in its words.

    A choice that breaks the limit itself comes back as it is; so does one whose boards would have to run one
    by one (a passive diode, an amplifier at its limits), which takes minutes.

    Parameters
    ----------
    choice : Choice
        What a sweep chose.
    specification : Specification
        What is asked.
    workers : int
        Processor threads, 1 or more.
    progress : callable or None
        Called with what is being done and the share that is done, 0 to 1.

    Returns
    -------
    Choice
    """
    if not choice.flash_safe or not runs_side_by_side(choice.chain, [choice.chain]):
        return choice

    def kept(chain: Chain) -> float:
        return kept_share(chain, specification, workers)

    return step_off(choice, specification, kept, progress or _ignore)


def step_off(
    choice: Choice, specification: Specification, kept: Callable[[Chain], float], progress: Progress
) -> Choice:
    """Return the choice, or what is reached from it step by step; kept: share of a chain's boards, 0 to 1."""
    progress("Boards of the choice", 1.0)
    first, share = choice, kept(choice.chain)
    first_share = share
    for _ in range(MOST_STEPS):
        if share >= SURE:
            break
        beside = {}
        for number in neighbours(choice, specification):
            progress("Boards of a neighbour", 1.0)
            beside[number] = kept(_chain_of(choice, specification, number))
        enough = min(SURE, share + LEAST_GAIN)
        better = {number: found for number, found in beside.items() if found >= enough}
        if not better:
            break
        number = _best(choice, better)
        choice, share = choose(choice.table, specification, number=number), better[number]
    if choice is first:
        return first
    return replace(
        choice,
        sentences=(
            *choice.sentences,
            Sentence(
                "robustness",
                _words(first, first_share, choice, share, specification),
                {"first_kept_share": first_share, "kept_share": share},
            ),
        ),
    )


def neighbours(choice: Choice, specification: Specification) -> list[int]:
    """Rows one step of one swept part away that keep the flash limit and miss no target by more."""
    table = choice.table
    good = (table["flash_safe"] & (table["violation"] <= choice.row["violation"])).to_numpy()
    beside = [
        row
        for key in specification.ranges
        for row in pareto.neighbours(table, choice.number, specification.ranges, key)
    ]
    return [row for row in beside if good[row]]


def kept_share(chain: Chain, specification: Specification, workers: int = 2) -> float:
    """Return the share of TRIED_BOARDS of this design that keep the flash limit, 0 to 1."""
    sources = varied_parameters(chain, specification.tolerance, specification.ranges, specification.clips)
    drawn = draw(sources, TRIED_BOARDS, specification.tolerance.seed)
    boards, louder_db = [], []
    for values, louder in zip(drawn, levels_off_db(sources, drawn), strict=True):
        try:
            boards.append(board_of(chain, sources, values))
        except ParameterError:
            continue
        louder_db.append(louder)
    if not boards:
        return 0.0
    judge = BoardJudge(specification, chain, [clip.sound() for clip in specification.clips], workers)
    flashes = judge.flashes_per_s(boards, np.array(louder_db))
    return float((flashes <= specification.targets.flash_limit).sum()) / TRIED_BOARDS


def _chain_of(choice: Choice, specification: Specification, number: int) -> Chain:
    row = choice.table.iloc[number]
    return with_values(
        specification.chain, tuple(specification.ranges), [row[key] for key in specification.ranges]
    )


def _best(choice: Choice, better: dict[int, float]) -> int:
    """Among those that are sure the first in rank; where none is, the one that keeps most."""
    rank = choice.table["rank"].to_numpy()
    sure = [number for number, share in better.items() if share >= SURE]
    if sure:
        return min(sure, key=lambda number: int(rank[number]))
    return max(better, key=lambda number: (better[number], -int(rank[number])))


def _words(
    first: Choice, first_share: float, taken: Choice, share: float, specification: Specification
) -> str:
    changed = [key for key in specification.ranges if first.row[key] != taken.row[key]]
    before = ", ".join(part_words(key, first) for key in changed)
    after = ", ".join(part_words(key, taken) for key in changed)
    limit = f"{specification.targets.flash_limit:g} times in a second"
    tried = f"{TRIED_BOARDS} boards that were tried"
    keep = f"all {tried} keep" if share == 1 else f"{percent_text(share)} of the {tried} keep"
    cost = first.row["beat_contrast_lstar"] - taken.row["beat_contrast_lstar"]
    price = f", for {cost:.1f} L* of contrast" if np.isfinite(cost) and cost >= 0.05 else ""
    return (
        f"First in rank was {before}. But parts lie a little off, and then "
        f"{percent_text(1 - first_share)} of its boards flash more than {limit}. "
        f"Taken instead: {after}; {keep} the limit{price}."
    )


def _ignore(what: str, share: float) -> None:
    del what, share
