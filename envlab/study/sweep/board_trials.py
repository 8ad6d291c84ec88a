"""Boards of many candidates tried together, parts a little off: who keeps the flash limit, and the targets.

All candidates are built TRIED_BOARDS times from the same draws, so that they differ by their design alone.
Candidates with one front end hear each clip together. All boards of a candidate play a clip at once, for the
wave of a clip costs as much as fifty boards that hear it. A candidate is laid aside as soon as one of its
boards flashes too often: it cannot be among those all of whose boards keep the limit, so that this is the
outcome of all boards, without error. Clips come first on which candidates flash.

The draws are not those of envlab tolerance, nor of the boards by which a choice is confirmed: whoever is
chosen by some boards must show himself on others.

Draws being the same, a board on which one candidate flashes is likely to be one on which another does. So
those are tried before all others (Bench.screen): most candidates that flash are laid aside by one group of
boards on one clip.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from envlab.chain import Chain
from envlab.engine.side_by_side import runs_side_by_side
from envlab.metrics.across_clips import worst_over_clips
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.judgeable import judged_columns
from envlab.metrics.metrics_of_clip import clip_seed
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification
from envlab.study.tolerance.board_columns import Columns, columns_on_sound
from envlab.study.tolerance.board_metrics import BENCH_METRICS, BoardJudge
from envlab.study.tolerance.heard_boards import HeardBoards
from envlab.study.tolerance.tried_design import TriedDesign, drawn_design, with_moved_along

Progress = Callable[[str, float], None]
# Places of boards, rising, that play a clip, and its number.
Turn = tuple[Sequence[int], int]

# Fewer than the second are not worth trying.
TRIED_BOARDS, LEAST_BOARDS = 64, 16
# Boards that tell most: as many as a vector of any processor takes.
TELLING_BOARDS = 8
# Draws of a trial come from a seed of their own, made of the design file's.
_TRIAL_STREAM = 0x7E57


@dataclass(frozen=True)
class Trial:
    """What boards of one candidate did.

    tried: how many were simulated. flashing: of these, those that flash more often than the limit allows, or
    do not work; at least so many where the candidate was laid aside. meeting: those that meet every target
    that counts and the limit; None where that was not looked at. over: place and clip of each that flashed.
    heard: what all of them made of the clips, where no candidate was to be laid aside; and those moved along.
    """

    tried: int
    flashing: int
    meeting: int | None = None
    over: tuple[tuple[int, int], ...] = field(default=(), compare=False, repr=False)
    heard: HeardBoards | None = field(default=None, compare=False, repr=False)

    @property
    def keeps(self) -> bool:
        """Whether no board flashes too often."""
        return self.flashing == 0


@dataclass(frozen=True)
class BoardTrials:
    """What boards of candidates did, by the candidates' rows, and what follows for the choice.

    trials: of those that were tried. finals: of those that were to be confirmed, by other boards, in their
    order. first: row of the first in rank. spared: how many more were not tried, for even with all boards
    good they would have come behind the choice.
    """

    trials: dict[int, Trial]
    finals: dict[int, Trial]
    first: int
    spared: int = 0

    def interval(self, row: int) -> tuple[float, float]:
        """Return between which shares of all boards those that keep the limit lie, 0 to 1, with 95 %.

        Of a row that was confirmed; Clopper and Pearson [ClopperPearson1934], at 1 − 0.05 over the number of
        those that were confirmed.
        """
        from scipy.special import betaincinv

        bad, boards = self.finals[row].flashing, self.finals[row].tried
        good, beyond = boards - bad, 0.05 / len(self.finals) / 2
        # Of the binomial law, as its sums are incomplete beta functions.
        low = betaincinv(good, bad + 1, beyond) if good else 0.0
        high = betaincinv(good + 1, bad, 1 - beyond) if bad else 1.0
        return float(low), float(high)


def trial_seed(seed: int) -> int:
    """Return the seed of a trial's draws, from the one of the specification's tolerances."""
    return int(np.random.SeedSequence([seed, _TRIAL_STREAM]).generate_state(1)[0])


@dataclass(frozen=True, eq=False)
class Bench:
    """Tries boards of candidates of one specification.

    ranked: the specification with the targets that count. sounds: of its clips. count: boards of each
    candidate. seed: of their draws. moved: whether the boards that a tolerance study moves one part at a time
    hear along, for Trial.heard alone.
    """

    ranked: Specification
    sounds: Sequence[Sound]
    workers: int = 2
    count: int = TRIED_BOARDS
    seed: int = 0
    moved: bool = False

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
        groups = [_Group(self, some, all_boards) for some in _groups(candidates)]
        _run(groups, [(range(self.count), number) for number in order], progress)
        return {number: trial for group in groups for number, trial in group.trials().items()}

    def screen(
        self,
        candidates: Mapping[int, Chain],
        telling: tuple[Sequence[int], int],
        *,
        progress: Callable[[float], None] | None = None,
    ) -> dict[int, Trial]:
        """Return candidate → what its boards did, of those alone that some boards lay aside on one clip.

        candidates, progress: as trials has them. telling: places of the boards and number of the clip.
        """
        places, clip = telling
        groups = [_Group(self, some, all_boards=False) for some in _groups(candidates)]
        _run(groups, [(list(places), clip)], progress)
        return {number: trial for group in groups for number, trial in group.laid_aside().items()}


def _run(groups: Sequence[_Group], turns: Sequence[Turn], progress: Callable[[float], None] | None) -> None:
    """Let groups play, one after the other. progress: as Bench.trials has it."""
    later, before = [group.ahead_s(turns) for group in groups], 0.0
    for group in groups:
        del later[0]

        def tell(played_s: float, ahead_s: float, before: float = before) -> None:
            done_s = before + played_s
            if progress is not None:
                progress(done_s / (done_s + ahead_s + sum(later)))

        group.run(turns, tell)
        before += group.played_s
        tell(0.0, 0.0, before)


def telling_boards(trials: Iterable[Trial]) -> tuple[list[int], int] | None:
    """Return places of the boards that flash on most candidates, and the clip on which; None if none does."""
    flashed = Counter(one for trial in trials for one in trial.over)
    if not flashed:
        return None
    clip = _most_first(flashed)[0]
    times_of = {place: times for (place, number), times in flashed.items() if number == clip}
    most = sorted(times_of, key=lambda place: (-times_of[place], place))[:TELLING_BOARDS]
    return sorted(most), clip


def telling_clips(trials: Iterable[Trial], clip_order: Sequence[int]) -> list[int]:
    """Return the order of clips with those first on which boards of candidates flash, the most first."""
    first = _most_first(Counter(one for trial in trials for one in trial.over))
    return [*first, *(number for number in clip_order if number not in first)]


def _most_first(flashed: Counter[tuple[int, int]]) -> list[int]:
    """Clips by how often some board, by place and clip, flashes on them."""
    on_clip: Counter[int] = Counter()
    for (_, number), times in flashed.items():
        on_clip[number] += times
    return sorted(on_clip, key=lambda number: (-on_clip[number], number))


def _groups(candidates: Mapping[int, Chain]) -> list[dict[int, Chain]]:
    """Designs that differ in their detectors alone, and rest at the same count, by their numbers."""
    groups: dict[object, dict[int, Chain]] = {}
    for number, chain in candidates.items():
        rest = tuple(getattr(chain, one.name) for one in dataclasses.fields(chain) if one.name != "detector")
        groups.setdefault((type(chain.detector), rest, chain.quiescent_counts), {})[number] = chain
    return list(groups.values())


class _Group:
    """Candidates that share a front end, on their way through boards and clips."""

    def __init__(self, bench: Bench, candidates: Mapping[int, Chain], all_boards: bool) -> None:
        self._bench, self._all_boards = bench, all_boards
        self._limit = bench.ranked.targets.flash_limit
        self._designs = {number: self._design(chain) for number, chain in candidates.items()}
        self.played_s = 0.0

    def _design(self, chain: Chain) -> TriedDesign:
        judge = BoardJudge(self._bench.ranked, chain, self._bench.sounds, self._bench.workers)
        design = drawn_design(judge, self._bench.count, self._bench.seed)
        return with_moved_along(design) if self._bench.moved else design

    def run(self, turns: Sequence[Turn], tell: Callable[[float, float], None]) -> None:
        """tell: called with the seconds of sound that boards have heard, and that they may still have to."""
        for turn, (places, number) in enumerate(turns):
            going = self._going()
            if not going:
                break
            of_this_s = self.ahead_s([(places, number)])
            whole_s = self.ahead_s(turns[turn:])

            def hear_of(share: float, of_this_s: float = of_this_s, whole_s: float = whole_s) -> None:
                tell(self.played_s + share * of_this_s, whole_s - share * of_this_s)

            self._hear(going, places, number, hear_of)
            self.played_s += of_this_s

    def trials(self) -> dict[int, Trial]:
        """What boards of each did, by number."""
        return {number: self._trial(design) for number, design in self._designs.items()}

    def laid_aside(self) -> dict[int, Trial]:
        """The same of those alone that flash."""
        return {number: _aside(design) for number, design in self._designs.items() if design.flashing}

    def _going(self) -> list[TriedDesign]:
        return [one for one in self._designs.values() if self._all_boards or not one.flashing]

    def ahead_s(self, turns: Sequence[Turn]) -> float:
        """Return how many seconds of sound the boards that are still going would hear in some turns."""
        heard_s = sum(len(places) * self._bench.sounds[number].duration_s for places, number in turns)
        return len(self._going()) * heard_s

    def _hear(
        self, designs: list[TriedDesign], places: Sequence[int], number: int, report: Callable[[float], None]
    ) -> None:
        clip, sound = self._bench.ranked.clips[number], self._bench.sounds[number]
        playing = [(design, design.working([*design.along, *places])) for design in designs]
        boards: list[Chain] = []
        firmware, tables = [], []
        for design, working in playing:
            some = list(working.values())
            boards += design.judge.hearing(some, clip, design.louder_db[list(working)])
            firmware += [design.chain] * len(some)
            tables += [design.judge.table] * len(some)
        if not boards:
            return
        heard = columns_on_sound(
            sound, boards, firmware, tables,
            seed=clip_seed(self._bench.ranked.judging.seed, number), workers=self._bench.workers,
            report=report,
        )  # fmt: skip
        first = 0
        for design, working in playing:
            own = {name: values[first : first + len(working)] for name, values in heard.items()}
            own = judged_columns(clip, sound, own, [design.chain])
            design.note(number, list(working), own, own[FLASH_METRIC] > self._limit)
            first += len(working)

    def _trial(self, design: TriedDesign) -> Trial:
        flashing = design.flashing
        if flashing and not self._all_boards:
            return _aside(design)
        heard = self._heard(design)
        meeting = self._meeting(heard.drawn)
        kept = heard if self._all_boards else None
        return Trial(self._bench.count, len(flashing), meeting, tuple(sorted(design.over)), kept)

    def _heard(self, design: TriedDesign) -> HeardBoards:
        numbers = range(len(self._bench.sounds))
        clips = tuple(_joined(design.heard[number]) for number in numbers if number in design.heard)
        places = [*design.along, *range(self._bench.count)]
        heard = HeardBoards(
            self._bench.ranked,
            design.chain,
            tuple(design.parameters),
            design.values[places],
            tuple(design.built[place] for place in places),
            design.louder_db[places],
            clips,
            moved=len(design.along),
        )
        if not heard.working:
            return heard
        asked = {target.metric for target in self._bench.ranked.targets.soft}
        return replace(heard, bench=design.judge.bench(heard.working, asked.intersection(BENCH_METRICS)))

    def _meeting(self, heard: HeardBoards) -> int:
        if not heard.working:
            return 0
        ranked = self._bench.ranked
        metrics = heard.bench | worst_over_clips(
            ranked.clips, heard.clips, heard.chain.pixels, heard.chain.supply
        )
        met = metrics[FLASH_METRIC] <= self._limit
        for target in ranked.targets.soft:
            values = metrics[target.metric]
            # What the clips cannot show is missed by no board, nor met by any: it does not count.
            if not np.isnan(values).all():
                met &= (target.violation(values) == 0) & ~np.isnan(values)
        return int(np.count_nonzero(met))


def _aside(design: TriedDesign) -> Trial:
    """What is known of a candidate that was laid aside."""
    return Trial(design.tried, len(design.flashing), over=tuple(sorted(design.over)))


def _joined(parts: Sequence[Columns]) -> Columns:
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def affordable_boards(chain: Chain, length_s: float, candidates: int) -> int:
    """Return how many boards of each candidate can be tried in about a minute on clips of length_s, s.

    TRIED_BOARDS where they run side by side; fewer where each must be simulated by itself, 0 where it would
    be under LEAST_BOARDS.
    """
    if runs_side_by_side(chain, [chain]):
        return TRIED_BOARDS
    boards = int(MOST_S / (BOARD_S_PER_S * max(length_s, 1e-9)) / candidates)
    return 0 if boards < LEAST_BOARDS else min(boards, TRIED_BOARDS)


# Boards that run one by one: what a second of clips takes, measured on two cores, and the time that is taken.
BOARD_S_PER_S, MOST_S = 6e-3, 60.0


def confirming(bench: Bench, count: int, seed: int) -> Bench:
    """Return the bench that confirms a choice: another number of boards, from another seed.

    A tolerance study of the choice then finds in Trial.heard all that it asks for first.
    """
    return replace(bench, count=count, seed=seed, moved=True)
