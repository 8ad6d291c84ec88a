"""Boards of many candidates tried together, parts a little off: who keeps the flash limit, and the targets.

All candidates are built TRIED_BOARDS times from the same draws, so that they differ by their design alone.
Candidates with one front end hear each clip together. All boards of a candidate play a clip at once, for the
wave of a clip costs as much as fifty boards that hear it. A candidate is laid aside as soon as one of its
boards flashes too often: it cannot be among those all of whose boards keep the limit, so that this is the
outcome of all boards, without error. A clip is not heard to its end then. Clips come first on which
candidates flash.

The draws are not those of envlab tolerance, nor of the boards by which a choice is confirmed: whoever is
chosen by some boards must show himself on others.

Draws being the same, a board on which one candidate flashes is likely to be one on which another does. So
those are tried before all others (Bench.screen): most candidates that flash are laid aside by one group of
boards on one clip.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from envlab.chain import Chain
from envlab.engine.side_by_side import runs_side_by_side
from envlab.metrics.across_clips import worst_over_clips
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.judgeable import judged_columns, release_s, why_not_judged
from envlab.metrics.metrics_of_clip import clip_seed
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification
from envlab.study.sweep.trial import Trial, Turn
from envlab.study.tolerance.board_columns import Columns, Enough, columns_on_sound
from envlab.study.tolerance.board_metrics import BENCH_METRICS, BoardJudge
from envlab.study.tolerance.heard_boards import HeardBoards
from envlab.study.tolerance.tried_design import TriedDesign, drawn_design, with_moved_along
from envlab.units import IntArray

Progress = Callable[[str, float], None]
# Fewer than the second are not worth trying.
TRIED_BOARDS, LEAST_BOARDS = 64, 16
# Draws of a trial come from a seed of their own, made of the design file's.
_TRIAL_STREAM = 0x7E57


# A design, and those of its boards that work, by their places.
_Playing = tuple[TriedDesign, dict[int, Chain]]


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
        enough: int = 1,
        progress: Callable[[float], None] | None = None,
    ) -> dict[int, Trial]:
        """Return candidate → what its boards did.

        candidates: number → design. clip_order: of all clips, those that decide most first. all_boards: lay
        no candidate aside, so that every flashing board is counted. enough: of how many boards that flash a
        clip is not heard to its end. progress: called with the share that is done of what boards may still
        have to hear, 0 to 1; it leaps where candidates are laid aside.
        """
        order = self.clips_by_length if clip_order is None else clip_order
        groups = [_Group(self, some, math.inf if all_boards else enough) for some in _groups(candidates)]
        _run(groups, [Turn(range(self.count), number) for number in order], progress)
        return {number: trial for group in groups for number, trial in group.trials().items()}

    def screen(
        self,
        candidates: Mapping[int, Chain],
        telling: Turn,
        *,
        progress: Callable[[float], None] | None = None,
    ) -> dict[int, Trial]:
        """Return candidate → what its boards did, of those alone that some boards lay aside on one clip.

        candidates, progress: as trials has them. telling: which boards, and on which clip.
        """
        groups = [_Group(self, some, 1) for some in _groups(candidates)]
        _run(groups, [telling], progress)
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


def _groups(candidates: Mapping[int, Chain]) -> list[dict[int, Chain]]:
    """Designs that differ in their detectors alone, and rest at the same count, by their numbers."""
    groups: dict[object, dict[int, Chain]] = {}
    for number, chain in candidates.items():
        rest = tuple(getattr(chain, one.name) for one in dataclasses.fields(chain) if one.name != "detector")
        groups.setdefault((type(chain.detector), rest, chain.quiescent_counts), {})[number] = chain
    return list(groups.values())


class _Group:
    """Candidates that share a front end, on their way through boards and clips.

    enough: of how many flashing boards a candidate need not hear more; inf: none is laid aside.
    """

    def __init__(self, bench: Bench, candidates: Mapping[int, Chain], enough: float) -> None:
        self._bench, self._enough = bench, enough
        self._limit = bench.ranked.targets.flash_limit
        self._designs = {number: self._design(chain) for number, chain in candidates.items()}
        # Number of a clip → after how much of it, s, all that heard it had flashed.
        self._left_s: dict[int, float] = {}
        self.played_s = 0.0

    @property
    def _counts_all(self) -> bool:
        return self._enough == math.inf

    def _design(self, chain: Chain) -> TriedDesign:
        judge = BoardJudge(self._bench.ranked, chain, self._bench.sounds, self._bench.workers)
        design = drawn_design(judge, self._bench.count, self._bench.seed)
        return with_moved_along(design) if self._bench.moved else design

    def run(self, turns: Sequence[Turn], tell: Callable[[float, float], None]) -> None:
        """tell: called with the seconds of sound that boards have heard, and that they may still have to."""
        for turn, now in enumerate(turns):
            going = self._going()
            if not going:
                break
            of_this_s = self.ahead_s([now])
            whole_s = self.ahead_s(turns[turn:])

            def hear_of(share: float, of_this_s: float = of_this_s, whole_s: float = whole_s) -> None:
                tell(self.played_s + share * of_this_s, whole_s - share * of_this_s)

            self._hear(going, now, hear_of)
            self.played_s += of_this_s

    def trials(self) -> dict[int, Trial]:
        """What boards of each did, by number."""
        return {number: self._trial(design) for number, design in self._designs.items()}

    def laid_aside(self) -> dict[int, Trial]:
        """The same of those alone that flash."""
        return {number: self._aside(design) for number, design in self._designs.items() if design.flashing}

    def _aside(self, design: TriedDesign) -> Trial:
        """What is known of a candidate that was laid aside."""
        left_s = max((self._left_s.get(clip, math.inf) for _, clip in design.over), default=math.inf)
        return Trial(design.tried, len(design.flashing), over=tuple(sorted(design.over)), left_s=left_s)

    def _going(self) -> list[TriedDesign]:
        return [one for one in self._designs.values() if self._counts_all or not one.flashing]

    def ahead_s(self, turns: Sequence[Turn]) -> float:
        """Return how many seconds of sound the boards that are still going would hear in some turns."""
        sounds = self._bench.sounds
        heard_s = sum(len(one.places) * min(one.within_s, sounds[one.clip].duration_s) for one in turns)
        return len(self._going()) * heard_s

    def _hear(self, designs: list[TriedDesign], turn: Turn, report: Callable[[float], None]) -> None:
        number = turn.clip
        clip, sound = self._bench.ranked.clips[number], self._bench.sounds[number]
        playing = [(design, design.working([*design.along, *turn.places])) for design in designs]
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
            report=report, enough=None if self._counts_all else self._all_flash(playing, turn),
        )  # fmt: skip
        first = 0
        for design, working in playing:
            own = {name: values[first : first + len(working)] for name, values in heard.items()}
            own = judged_columns(clip, sound, own, [design.chain])
            design.note(number, list(working), own, own[FLASH_METRIC] > self._limit)
            first += len(working)

    def _all_flash(self, playing: Sequence[_Playing], turn: Turn) -> Enough | None:
        """Return what says when enough boards of every design have flashed; None where that is not judged."""
        clip, sound = self._bench.ranked.clips[turn.clip], self._bench.sounds[turn.clip]
        for design, _ in playing:
            unknown = why_not_judged(clip, sound, release_s(design.chain.detector_as_built))
            if not unknown.keys().isdisjoint(("every", FLASH_METRIC)):
                return None
        ends = np.cumsum([len(working) for _, working in playing])[:-1]

        def enough(heard_s: float, most_flashes: IntArray) -> bool:
            flash = all((own > self._limit).sum() >= self._enough for own in np.split(most_flashes, ends))
            if flash:
                self._left_s[turn.clip] = heard_s
            return flash or heard_s >= turn.within_s

        return enough

    def _trial(self, design: TriedDesign) -> Trial:
        flashing = design.flashing
        if flashing and not self._counts_all:
            return self._aside(design)
        heard = self._heard(design)
        meeting = self._meeting(heard.drawn)
        kept = heard if self._counts_all else None
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
