"""Boards of many candidates tried together, parts a little off: who keeps the flash limit, and the targets.

All candidates are built TRIED_BOARDS times from the same draws, so that they differ by their design alone.
Candidates with one front end hear each clip together, all their boards side by side, which costs little more
than the boards of one. A candidate is laid aside as soon as one of its boards flashes too often: it cannot be
among those all of whose boards keep the limit, so that this is the outcome of all boards, without error.
First FIRST_BOARDS of each play the FIRST_CLIPS clips on which candidates flash most; then comes the rest.

The draws are not those of envlab tolerance, nor of the boards by which a choice is confirmed: whoever is
chosen by some boards must show himself on others.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from envlab.chain import Chain
from envlab.engine.side_by_side import runs_side_by_side
from envlab.errors import ParameterError
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.judgeable import judged_columns
from envlab.metrics.metrics_of_clip import clip_seed
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification
from envlab.study.tolerance.board_metrics import BENCH_METRICS, BoardJudge, Columns, columns_on_sound
from envlab.study.tolerance.drawn_boards import board_of, draw, levels_off_db
from envlab.study.tolerance.heard_boards import HeardBoards
from envlab.study.tolerance.tolerances import varied_parameters
from envlab.units import FloatArray

Progress = Callable[[str, float], None]

TRIED_BOARDS, FIRST_BOARDS, FIRST_CLIPS = 64, 16, 2
# Draws of a trial come from a seed of their own, made of the design file's.
_TRIAL_STREAM = 0x7E57


@dataclass(frozen=True)
class Trial:
    """What boards of one candidate did.

    tried: how many were simulated. flashing: of these, those that flash more often than the limit allows, or
    do not work; at least so many where the candidate was laid aside. meeting: those that meet every target
    that counts and the limit; None where that was not looked at. heard: what all of them made of the clips,
    where no candidate was to be laid aside.
    """

    tried: int
    flashing: int
    meeting: int | None = None
    heard: HeardBoards | None = field(default=None, compare=False, repr=False)

    @property
    def keeps(self) -> bool:
        """Whether no board flashes too often."""
        return self.flashing == 0


@dataclass(frozen=True)
class BoardTrials:
    """What boards of candidates did, by the candidates' rows, and what follows for the choice.

    trials: of those that were tried. finals: of those that were to be confirmed, by other boards, in their
    order. first: row of the first in rank.
    """

    trials: dict[int, Trial]
    finals: dict[int, Trial]
    first: int

    def interval(self, row: int) -> tuple[float, float]:
        """Return between which shares of all boards those that keep the limit lie, 0 to 1, with 95 %.

        Of a row that was confirmed; Clopper and Pearson [ClopperPearson1934], at 1 − 0.05 over the number of
        those that were confirmed.
        """
        from scipy.stats import binomtest

        final = self.finals[row]
        test = binomtest(final.tried - final.flashing, final.tried)
        found = test.proportion_ci(1 - 0.05 / len(self.finals), method="exact")
        return float(found.low), float(found.high)


def trial_seed(seed: int) -> int:
    """Return the seed of a trial's draws, from the one of the specification's tolerances."""
    return int(np.random.SeedSequence([seed, _TRIAL_STREAM]).generate_state(1)[0])


@dataclass(frozen=True, eq=False)
class Bench:
    """Tries boards of candidates of one specification.

    ranked: the specification with the targets that count. sounds: of its clips. count: boards of each
    candidate. seed: of their draws.
    """

    ranked: Specification
    sounds: Sequence[Sound]
    workers: int = 2
    count: int = TRIED_BOARDS
    seed: int = 0

    @cached_property
    def clips_by_length(self) -> list[int]:
        """Numbers of the clips, the shortest first."""
        return sorted(range(len(self.sounds)), key=lambda n: (self.sounds[n].duration_s, n))

    def trials(
        self,
        candidates: Mapping[int, Chain],
        clip_order: Sequence[int] | None = None,
        *,
        all_boards: bool = False,
        progress: Callable[[float], None] | None = None,
    ) -> dict[int, Trial]:
        """Return candidate → what its boards did.

        candidates: number → design. clip_order: of all clips, those that decide most first. all_boards: lay
        no candidate aside, so that every flashing board is counted. progress: called with the share that is
        done of what boards may still have to hear, 0 to 1; it leaps where candidates are laid aside.
        """
        order = self.clips_by_length if clip_order is None else clip_order
        found: dict[int, Trial] = {}
        groups = [
            _Group(self, {number: candidates[number] for number in numbers}, all_boards)
            for numbers in _groups(candidates)
        ]
        later, before = [group.ahead_s(group.turns(order)) for group in groups], 0.0
        for group in groups:
            del later[0]

            def tell(played_s: float, ahead_s: float, before: float = before) -> None:
                done_s = before + played_s
                if progress is not None:
                    progress(done_s / (done_s + ahead_s + sum(later)))

            found |= group.run(order, tell)
            before += group.played_s
            tell(0.0, 0.0, before)
        return found


def _groups(candidates: Mapping[int, Chain]) -> list[list[int]]:
    """Numbers of designs that differ in their detectors alone, and rest at the same count."""
    groups: dict[object, list[int]] = {}
    for number, chain in candidates.items():
        rest = tuple(getattr(chain, one.name) for one in dataclasses.fields(chain) if one.name != "detector")
        groups.setdefault((type(chain.detector), rest, chain.quiescent_counts), []).append(number)
    return list(groups.values())


@dataclass(eq=False)
class _Design:
    """One candidate's boards and what was heard of them.

    boards: None where one does not work. louder_db: by how much each hears the clips louder than stated, as
    BoardJudge.metrics has it. flashing: places of those that flash too often or do not work.
    heard: number of a clip → its columns, of some boards and the next. begun: how many have played anything.
    """

    judge: BoardJudge
    boards: list[Chain | None]
    louder_db: FloatArray
    flashing: set[int] = field(default_factory=set)
    heard: dict[int, list[Columns]] = field(default_factory=dict)
    begun: int = 0

    @property
    def chain(self) -> Chain:
        return self.judge.nominal


class _Group:
    """Candidates that share a front end, on their way through boards and clips."""

    def __init__(self, bench: Bench, candidates: Mapping[int, Chain], all_boards: bool) -> None:
        self._bench, self._all_boards = bench, all_boards
        self._limit = bench.ranked.targets.flash_limit
        self._designs = {number: self._design(chain) for number, chain in candidates.items()}
        self.played_s = 0.0

    def _design(self, chain: Chain) -> _Design:
        asked = self._bench.ranked
        parameters = varied_parameters(chain, asked.tolerance, asked.ranges, asked.clips)
        boards: list[Chain | None] = []
        drawn = draw(parameters, self._bench.count, self._bench.seed)
        for values in drawn:
            try:
                boards.append(board_of(chain, parameters, values))
            except ParameterError:
                boards.append(None)
        judge = BoardJudge(asked, chain, self._bench.sounds, self._bench.workers)
        dead = {place for place, one in enumerate(boards) if one is None}
        return _Design(judge, boards, levels_off_db(parameters, drawn), flashing=dead)

    def run(self, clip_order: Sequence[int], tell: Callable[[float, float], None]) -> dict[int, Trial]:
        """tell: called with the seconds of sound that boards have heard, and that they may still have to."""
        turns = self.turns(clip_order)
        for turn, (boards, number) in enumerate(turns):
            going = self._going()
            if not going:
                break
            of_this_s = self.ahead_s([(boards, number)])
            whole_s = self.ahead_s(turns[turn:])

            def hear_of(share: float, of_this_s: float = of_this_s, whole_s: float = whole_s) -> None:
                tell(self.played_s + share * of_this_s, whole_s - share * of_this_s)

            self._hear(going, boards, number, hear_of)
            self.played_s += of_this_s
        return {number: self._trial(design) for number, design in self._designs.items()}

    def _going(self) -> list[_Design]:
        return [one for one in self._designs.values() if self._all_boards or not one.flashing]

    def ahead_s(self, turns: Sequence[tuple[range, int]]) -> float:
        """Return how many seconds of sound the boards that are still going would hear in some turns."""
        heard_s = sum(len(boards) * self._bench.sounds[number].duration_s for boards, number in turns)
        return len(self._going()) * heard_s

    def turns(self, clip_order: Sequence[int]) -> list[tuple[range, int]]:
        """Which boards play which clip, one turn after the other."""
        every = self._bench.count
        if self._all_boards or every <= FIRST_BOARDS:
            return [(range(every), number) for number in clip_order]
        deciding, others = clip_order[:FIRST_CLIPS], clip_order[FIRST_CLIPS:]
        turns = [(range(FIRST_BOARDS), number) for number in deciding]
        turns += [(range(FIRST_BOARDS, every), number) for number in deciding]
        return turns + [(range(every), number) for number in others]

    def _hear(
        self, designs: list[_Design], places: range, number: int, report: Callable[[float], None]
    ) -> None:
        boards: list[Chain] = []
        firmware, tables, sizes = [], [], []
        for design in designs:
            kept = [place for place in places if design.boards[place] is not None]
            some = [one for one in design.boards[places.start : places.stop] if one is not None]
            boards += design.judge.hearing(some, self._bench.ranked.clips[number], design.louder_db[kept])
            firmware += [design.chain] * len(some)
            tables += [design.judge.table] * len(some)
            sizes.append(len(some))
        if not boards:
            return
        clip, sound = self._bench.ranked.clips[number], self._bench.sounds[number]
        heard = columns_on_sound(
            sound, boards, firmware, tables,
            seed=clip_seed(self._bench.ranked.judging.seed, number), workers=self._bench.workers,
            report=report,
        )  # fmt: skip
        first = 0
        for design, size in zip(designs, sizes, strict=True):
            own = {name: values[first : first + size] for name, values in heard.items()}
            own = judged_columns(clip, sound, own, [design.chain])
            design.heard.setdefault(number, []).append(own)
            design.begun = max(design.begun, places.stop)
            working = [place for place in places if design.boards[place] is not None]
            over = own[FLASH_METRIC] > self._limit
            design.flashing |= {place for place, is_over in zip(working, over, strict=True) if is_over}
            first += size

    def _trial(self, design: _Design) -> Trial:
        if design.flashing and not self._all_boards:
            return Trial(max(design.begun, 1 + max(design.flashing)), len(design.flashing))
        heard = self._heard(design)
        meeting = self._meeting(design, heard)
        return Trial(
            len(design.boards), len(design.flashing), meeting, heard=heard if self._all_boards else None
        )

    def _heard(self, design: _Design) -> HeardBoards:
        numbers = range(len(self._bench.sounds))
        clips = tuple(_joined(design.heard[number]) for number in numbers if number in design.heard)
        return HeardBoards(self._bench.ranked, design.chain, tuple(design.boards), design.louder_db, clips)

    def _meeting(self, design: _Design, heard: HeardBoards) -> int:
        working, clips = heard.working, heard.clips
        if not working:
            return 0
        asked = {target.metric for target in self._bench.ranked.targets.soft}
        metrics = design.judge.bench(working, asked & BENCH_METRICS) | design.judge.over_clips(clips)
        met = metrics[FLASH_METRIC] <= self._limit
        for target in self._bench.ranked.targets.soft:
            values = metrics[target.metric]
            # What the clips cannot show is missed by no board, nor met by any: it does not count.
            if not np.isnan(values).all():
                met &= (target.violation(values) == 0) & ~np.isnan(values)
        return int(np.count_nonzero(met))


def _joined(parts: Sequence[Columns]) -> Columns:
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def affordable_boards(chain: Chain, length_s: float, candidates: int) -> int:
    """Return how many boards of each candidate can be tried in about a minute on clips of length_s, s.

    TRIED_BOARDS where they run side by side; fewer where each must be simulated by itself, 0 where it would
    be under FIRST_BOARDS.
    """
    if runs_side_by_side(chain, [chain]):
        return TRIED_BOARDS
    boards = int(MOST_S / (BOARD_S_PER_S * max(length_s, 1e-9)) / candidates)
    return 0 if boards < FIRST_BOARDS else min(boards, TRIED_BOARDS)


# Boards that run one by one: what a second of clips takes, measured on two cores, and the time that is taken.
BOARD_S_PER_S, MOST_S = 6e-3, 60.0


def with_more(bench: Bench, count: int, seed: int) -> Bench:
    """Return the bench for another number of boards, from another seed."""
    return replace(bench, count=count, seed=seed)
