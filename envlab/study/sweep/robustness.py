"""Whose boards are to be built: not those of the best in rank if, parts a little off, they flash too often.

The best of a sweep tends to be the one that only just keeps the flash limit; its boards then break it one
time in two, and that limit is hard. So boards of the first candidates in rank are tried (board_trials.py):
LOT of them that differ, then LOT more at a time, MOST_TRIED at most, until there is one all of whose boards
keep the limit; last those that flash least as designed. Among candidates whose boards all keep it the order
is: misses as in the ranking, then how many boards meet every target that counts, then contrast, latency,
number. The neighbours of the best that are no worse as designed are tried too, and whoever beats it takes its
place.

The best must then keep the limit with FINAL_BOARDS boards from another seed, that of the design file's
tolerances; if it does not, the next one must, MOST_FINALS at most. If none does, the one most of whose boards
do is taken, and it is said. The interval is that of Clopper and Pearson [ClopperPearson1934] at
1 − 0.05/finals, so that it holds with 95 % however many finals were run.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from envlab.chain import Chain
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification
from envlab.study.sweep import pareto
from envlab.study.sweep.board_trials import (
    TRIED_BOARDS,
    Bench,
    BoardTrials,
    Progress,
    Trial,
    affordable_boards,
    trial_seed,
    with_more,
)
from envlab.study.sweep.choice import Choice, choose, told
from envlab.study.sweep.flash_mitigation import with_mitigations
from envlab.study.sweep.obstacles import with_obstacles
from envlab.units import FloatArray

LOT, MOST_TRIED = 24, 96
# Columns that the candidates' table gains; "more" are the boards that confirm.
BOARD_COLUMNS = (
    *("boards_tried", "boards_flashing", "boards_meeting"),
    *("more_boards", "more_boards_flashing"),
)
FINAL_BOARDS, MOST_FINALS = 300, 12
# Where no candidate's boards all keep the limit, all boards of so many are counted, those that seemed best.
_COUNTED = LOT

Trials = Callable[[dict[int, Chain], bool], dict[int, Trial]]


def robust_choice(
    choice: Choice, specification: Specification, *, workers: int = 2, progress: Progress | None = None
) -> Choice:
    """Return the candidate whose boards are best, with all reasons; what envlab design chooses.

    A choice that breaks the limit itself stays, with what would mend its flashes. So does one whose boards
    would have to run one by one for more than some minutes; then it is said.

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

    References
    ----------
    [ClopperPearson1934] C. J. Clopper, E. S. Pearson, The use of confidence or fiducial limits illustrated in
    the case of the binomial, Biometrika 26, 1934, pp. 404-413.
    """
    tell = progress or _ignore
    if not choice.flashes_judged:
        return choice
    if not choice.flash_safe:
        mended = with_mitigations(choice, specification, workers=workers, progress=tell)
        return with_obstacles(mended, specification, workers=workers, progress=tell)
    sounds = [clip.sound() for clip in specification.clips]
    length_s = sum(sound.duration_s for sound in sounds)
    count = affordable_boards(choice.chain, length_s, LOT)
    if count == 0:
        found = replace(choice, boards=BoardTrials({}, {}, choice.number))
        return with_obstacles(
            replace(found, sentences=told(found, specification)),
            specification,
            workers=workers,
            progress=tell,
        )
    ranked = choice.ranking.specification(specification)
    bench = Bench(ranked, sounds, workers, count, trial_seed(specification.tolerance.seed))
    final = with_more(bench, FINAL_BOARDS if count == TRIED_BOARDS else count, specification.tolerance.seed)
    clip_order = _deciding_first(choice, specification, bench)

    def trials(candidates: dict[int, Chain], all_boards: bool) -> dict[int, Trial]:
        what = f"Boards of {len(candidates)} candidate{'s' * (len(candidates) != 1)}"
        tell(what, 0.0)
        return bench.trials(
            candidates, clip_order, all_boards=all_boards, progress=lambda share: tell(what, share)
        )

    def finals(candidates: dict[int, Chain], all_boards: bool) -> dict[int, Trial]:
        what = "Boards of the choice"
        tell(what, 0.0)
        return final.trials(
            candidates, clip_order, all_boards=all_boards, progress=lambda share: tell(what, share)
        )

    found = with_boards(choice, specification, trials, finals)
    return with_obstacles(found, specification, workers=workers, progress=tell)


def with_boards(choice: Choice, specification: Specification, trials: Trials, finals: Trials) -> Choice:
    """Return the candidate whose boards are best.

    trials, finals: what boards of candidates do, from number → design and whether all flashing boards are to
    be counted; finals from another seed.
    """
    search = _Search(choice, specification, trials)
    confirmed: dict[int, Trial] = {}
    while len(confirmed) < MOST_FINALS and (best := search.best()) is not None:
        confirmed |= finals({best: search.chain(best)}, True)
        if confirmed[best].keeps:
            break
        search.failed.add(best)
    if not confirmed:
        least = search.least_flashing()
        confirmed |= finals({least: search.chain(least)}, True)
    taken = min(
        confirmed, key=lambda row: (confirmed[row].flashing / confirmed[row].tried, search.place(row))
    )
    boards = BoardTrials(search.tried, confirmed, first=choice.number)
    found = replace(choose(choice.table, specification, number=taken), boards=boards)
    told_of = replace(found, sentences=told(found, specification))
    return replace(told_of, table=told_of.table.assign(**_board_columns(told_of, boards)))


def _board_columns(choice: Choice, boards: BoardTrials) -> dict[str, FloatArray]:
    """Columns of the candidates' table, NaN where no boards were tried: shares are out of boards_tried."""
    columns = {name: np.full(len(choice.table), np.nan) for name in BOARD_COLUMNS}
    for row, trial in boards.trials.items():
        columns["boards_tried"][row], columns["boards_flashing"][row] = trial.tried, trial.flashing
        columns["boards_meeting"][row] = np.nan if trial.meeting is None else trial.meeting
    for row, final in boards.finals.items():
        columns["more_boards"][row], columns["more_boards_flashing"][row] = final.tried, final.flashing
    return columns


class _Search:
    """Which boards are tried, one lot after the other."""

    def __init__(self, choice: Choice, specification: Specification, trials: Trials) -> None:
        self._choice, self._specification, self._trials = choice, specification, trials
        self._ranking = choice.ranking
        self._safe = self._ranking.table["flash_safe"].to_numpy()
        self.tried: dict[int, Trial] = {}
        self.failed: set[int] = set()
        self._lots = self._lots_of([row for row in self._ranking.distinct() if self._safe[row]])

    def best(self) -> int | None:
        """Return the best all of whose boards keep the limit, trying further lots until there is one."""
        while (found := self._climb()) is None and self._lots:
            self._try(self._lots.pop(0))
        return found

    def least_flashing(self) -> int:
        """Return the one fewest of whose boards flash, where every one has some that do."""

        def place(row: int) -> tuple[Any, ...]:
            return (self.tried[row].flashing, *self.place(row))

        least = sorted(self.tried, key=place)[:_COUNTED]
        self.tried |= self._trials({row: self.chain(row) for row in least}, True)
        return min(least, key=place)

    def _lots_of(self, rows: list[int]) -> list[list[int]]:
        flashes = self._ranking.table[FLASH_METRIC].to_numpy(float)
        lots = [rows[first : first + LOT] for first in range(0, min(len(rows), MOST_TRIED), LOT)]
        return [*lots, sorted(rows[MOST_TRIED:], key=lambda row: flashes[row])[:LOT]]

    def _climb(self) -> int | None:
        """Return the best of those tried that keep the limit, once no neighbour beats it; None: none."""
        while keeping := self._keeping():
            best = min(keeping, key=self.place)
            beside = [row for row in self._beside(best) if row not in self.tried]
            if not beside:
                return best
            self._try(beside)
        return None

    def chain(self, row: int) -> Chain:
        """The design of a row."""
        keys = tuple(self._specification.ranges)
        return with_values(
            self._specification.chain, keys, [self._ranking.table.iloc[row][key] for key in keys]
        )

    def place(self, row: int) -> tuple[Any, ...]:
        """What candidates that keep the limit are sorted by."""
        return board_place(self._choice, row, self.tried.get(row))

    def _try(self, rows: Sequence[int]) -> None:
        fresh = {row: self.chain(row) for row in rows if row not in self.tried}
        if fresh:
            self.tried |= self._trials(fresh, False)

    def _keeping(self) -> list[int]:
        return [row for row, trial in self.tried.items() if trial.keeps and row not in self.failed]

    def _beside(self, row: int) -> list[int]:
        """Rows one step of one swept part away that are no worse as designed."""
        beside = [
            near
            for key in self._specification.ranges
            for near in pareto.neighbours(self._ranking.table, row, self._specification.ranges, key)
        ]
        mine = self._ranking.misses(row)
        return [near for near in beside if self._safe[near] and self._ranking.misses(near) <= mine]


def board_place(choice: Choice, row: int, trial: Trial | None) -> tuple[Any, ...]:
    """Return what decides between candidates whose boards keep the limit, the smallest first."""
    one = choice.ranking.table.iloc[row]
    meeting = 0 if trial is None or trial.meeting is None else trial.meeting
    contrast = np.nan_to_num(float(one["beat_contrast_lstar"]))
    return (
        choice.ranking.misses(row), -meeting, -round(contrast), float(one["onset_lag_worst_ms"]), row,
    )  # fmt: skip


def _deciding_first(choice: Choice, specification: Specification, bench: Bench) -> list[int]:
    """Numbers of the clips, those first on which the first in rank flash most; of equals the shortest."""
    first = choice.ranking.order[:LOT]
    most = []
    for clip in specification.clips:
        values = choice.table.iloc[first][f"{FLASH_METRIC} [{clip.label}]"].to_numpy(float)
        most.append(float(np.nan_to_num(values).mean()))
    return sorted(bench.clips_by_length, key=lambda number: -most[number])


def _ignore(what: str, share: float) -> None:
    del what, share
