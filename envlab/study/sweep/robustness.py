"""Whose boards are to be built: not those of the best in rank if, parts a little off, they flash too often.

The best of a sweep tends to be the one that only just keeps the flash limit; its boards then break it one
time in two, and that limit is hard. So boards of the first candidates in rank are tried (board_trials.py):
LOT of them that differ, then LOT more, MOST_TRIED at most, until there is one all of whose boards keep the
limit; last those that flash least as designed. Among candidates whose boards all keep it the order is: misses
as in the ranking, then how many boards meet every target that counts, then contrast, latency, number. The
neighbours of the best that are no worse as designed are tried too, and whoever beats it takes its place.

Who could at best come behind the best so far, were all his boards good, is not tried: the outcome is that of
trying all, without error. So those come first that could come furthest, one by one; and as soon as boards of
some flash, these boards are tried on all others.

The best must then keep the limit with FINAL_BOARDS boards from another seed, that of the design file's
tolerances; if it does not, the next one must, MOST_FINALS at most. If none does, the one most of whose boards
do is taken, and it is said. The interval is that of Clopper and Pearson [ClopperPearson1934] at
1 − 0.05/finals, so that it holds with 95 % however many finals were run.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from envlab.chain import Chain
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.study.specification.heard_sounds import sounds_of
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification
from envlab.study.sweep import pareto
from envlab.study.sweep.board_trials import (
    TRIED_BOARDS,
    Bench,
    Progress,
    affordable_boards,
    confirming,
    trial_seed,
)
from envlab.study.sweep.choice import Choice, choose, told
from envlab.study.sweep.flash_mitigation import with_mitigations
from envlab.study.sweep.obstacles.obstacles import with_obstacles
from envlab.study.sweep.trial import (
    TELLING_BOARDS,
    BoardTrials,
    Trial,
    Turn,
    telling_boards,
    telling_clips,
)
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


class Tries(Protocol):
    """Tries boards of candidates, number → design, and tells what they did."""

    def trials(self, candidates: dict[int, Chain], all_boards: bool) -> dict[int, Trial]:
        """Try them to the end; all_boards: count all that flash, whatever is known already."""

    def screen(self, candidates: dict[int, Chain], telling: Turn) -> dict[int, Trial]:
        """Try some boards of each on one clip; return the candidates alone that these lay aside."""


def robust_choice(
    choice: Choice,
    specification: Specification,
    *,
    workers: int = 2,
    progress: Progress | None = None,
    foreseen: Callable[[Chain], None] | None = None,
    chosen: Callable[[Choice], None] | None = None,
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
    foreseen : callable or None
        Called, before its other boards are drawn, with each design that is chosen if these keep the limit.
    chosen : callable or None
        Called with a choice whose boards were tried, before it is found out what stands in the way.

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
    sounds = sounds_of(specification)
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
    boards = FINAL_BOARDS if count == TRIED_BOARDS else count
    final = confirming(bench, boards, specification.tolerance.seed)
    clip_order = _deciding_first(choice, specification, bench)
    tried = _Told(bench, clip_order, tell, "")
    confirmed = _Told(final, clip_order, tell, "Boards of the choice")
    found = with_boards(choice, specification, tried, confirmed, tried.begin, foreseen)
    if chosen is not None:
        chosen(found)
    return with_obstacles(found, specification, workers=workers, progress=tell)


@dataclass(eq=False)
class _Told:
    """A bench that tells how far it is, and learns on which clips boards flash.

    clip_order: as Bench.trials has it, to begin with. what: is being done.
    """

    bench: Bench
    clip_order: Sequence[int]
    tell: Progress
    what: str
    shares: tuple[float, float] = (0.0, 1.0)
    seen: list[Trial] = field(default_factory=list)

    def begin(self, decided: int, known: int) -> None:
        """Tell how many candidates are decided, of those that are known so far."""
        self.what = f"Boards of {known} candidate{'s' * (known != 1)}"
        self.shares = (decided / known, (decided + 1) / known)
        self._report(0.0)

    def trials(self, candidates: dict[int, Chain], all_boards: bool) -> dict[int, Trial]:
        """See Tries."""
        order = telling_clips(self.seen, self.clip_order)
        # The first that flash are to be tried on all others; then one is enough to lay a candidate aside.
        enough = TELLING_BOARDS if telling_boards(self.seen) is None else 1
        found = self.bench.trials(
            candidates, order, all_boards=all_boards, enough=enough, progress=self._report
        )
        return self._noted(found)

    def screen(self, candidates: dict[int, Chain], telling: Turn) -> dict[int, Trial]:
        """See Tries."""
        return self._noted(self.bench.screen(candidates, telling, progress=self._report))

    def _noted(self, found: dict[int, Trial]) -> dict[int, Trial]:
        self.seen += found.values()
        return found

    def _report(self, share: float) -> None:
        low, high = self.shares
        self.tell(self.what, low + share * (high - low))


def with_boards(
    choice: Choice,
    specification: Specification,
    bench: Tries,
    final: Tries,
    begin: Callable[[int, int], None] | None = None,
    foreseen: Callable[[Chain], None] | None = None,
) -> Choice:
    """Return the candidate whose boards are best.

    final: draws boards from another seed. begin: told, before boards are tried, how many candidates are
    decided, of those that are known so far. foreseen: as robust_choice.
    """
    search = _Search(choice, specification, bench, begin or _uncounted)
    confirmed: dict[int, Trial] = {}
    while len(confirmed) < MOST_FINALS and (best := search.best()) is not None:
        if foreseen is not None:
            foreseen(search.chain(best))
        confirmed |= final.trials({best: search.chain(best)}, True)
        if confirmed[best].keeps:
            break
        search.failed.add(best)
    if not confirmed:
        least = search.least_flashing()
        confirmed |= final.trials({least: search.chain(least)}, True)
    taken = min(
        confirmed, key=lambda row: (confirmed[row].flashing / confirmed[row].tried, search.place(row))
    )
    boards = BoardTrials(search.tried, confirmed, choice.number, len(search.open_beside(taken)))
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
    """Which boards are tried, one candidate after the other.

    known: rows of the candidates that may be tried, lot after lot and neighbours. tried: what is decided.
    """

    def __init__(
        self, choice: Choice, specification: Specification, bench: Tries, begin: Callable[[int, int], None]
    ) -> None:
        self._choice, self._specification, self._bench, self._begin = choice, specification, bench, begin
        self._ranking = choice.ranking
        self._safe = self._ranking.table["flash_safe"].to_numpy()
        self.known: list[int] = []
        self.tried: dict[int, Trial] = {}
        self.failed: set[int] = set()
        self._screened: set[int] = set()
        self._lots = self._lots_of([row for row in self._ranking.distinct() if self._safe[row]])

    def best(self) -> int | None:
        """Return the best all of whose boards keep the limit, trying further lots until there is one."""
        while True:
            best = min(self._keeping(), key=self.place, default=None)
            if still := self._open(best):
                self._decide(still)
            elif best is None:
                if not self._lots:
                    return None
                self.known += self._lots.pop(0)
            elif beside := [row for row in self._beside(best) if row not in self.known]:
                self.known += beside
            else:
                return best

    def least_flashing(self) -> int:
        """Return the one fewest of whose boards flash, where every one has some that do."""

        def place(row: int) -> tuple[Any, ...]:
            return (self.tried[row].flashing, *self.place(row))

        def seems(row: int) -> tuple[Any, ...]:
            # Who was laid aside late has boards that flash seldom.
            return (-self.tried[row].tried, *place(row))

        least = sorted(self.tried, key=seems)[:_COUNTED]
        self.tried |= self._bench.trials({row: self.chain(row) for row in least}, True)
        return min(least, key=place)

    def open_beside(self, best: int) -> list[int]:
        """Return those that were not tried, for they could at best come behind the best."""
        boards, place = self.tried[best].tried, self.place(best)
        return [row for row in self.known if row not in self.tried and self._hope(row, boards) > place]

    def _open(self, best: int | None) -> list[int]:
        """Return those that may still beat the best, who could come furthest first."""
        still = [row for row in self.known if row not in self.tried]
        boards = 1
        if best is not None:
            boards, place = self.tried[best].tried, self.place(best)
            still = [row for row in still if self._hope(row, boards) < place]
        return sorted(still, key=lambda row: self._hope(row, boards))

    def _hope(self, row: int, boards: int) -> tuple[Any, ...]:
        """The place that a candidate had if all of its boards were good."""
        return board_place(self._choice, row, Trial(boards, 0, boards))

    def _decide(self, still: list[int]) -> None:
        """Find out something of candidates that are open: of the first by all boards, or of all by a few."""
        self._begin(len(self.tried), len(self.known))
        telling = telling_boards(self.tried.values())
        fresh = [row for row in still if row not in self._screened]
        if telling is not None and len(fresh) > 1:
            self._screened |= set(fresh)
            found = self._bench.screen({row: self.chain(row) for row in fresh}, telling)
        else:
            found = self._bench.trials({still[0]: self.chain(still[0])}, False)
        self.tried |= found

    def _lots_of(self, rows: list[int]) -> list[list[int]]:
        flashes = self._ranking.table[FLASH_METRIC].to_numpy(float)
        lots = [rows[first : first + LOT] for first in range(0, min(len(rows), MOST_TRIED), LOT)]
        return [*lots, sorted(rows[MOST_TRIED:], key=lambda row: flashes[row])[:LOT]]

    def chain(self, row: int) -> Chain:
        """The design of a row."""
        keys = tuple(self._specification.ranges)
        return with_values(
            self._specification.chain, keys, [self._ranking.table.iloc[row][key] for key in keys]
        )

    def place(self, row: int) -> tuple[Any, ...]:
        """What candidates that keep the limit are sorted by."""
        return board_place(self._choice, row, self.tried.get(row))

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


def _uncounted(decided: int, known: int) -> None:
    del decided, known


def _ignore(what: str, share: float) -> None:
    del what, share
