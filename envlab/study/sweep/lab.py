"""Changed boards are played, and what they did is remembered: nothing is played twice.

A board's numbers on a clip depend on the board, the clip's place among all (whose noise it is) and its level
alone, those on test signals on the board: whoever asks about another target, or moves another clip's level,
finds them here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.changes import Cause, Change, Clips
from envlab.study.sweep.not_judged import TAG_OF
from envlab.study.tolerance.board_metrics import BENCH_METRICS, BoardJudge, Columns

# Metrics that are of no clip, or of several together.
_WHOLE = {*BENCH_METRICS, "range_used_db"}
# An endless miss, as of −inf dB, in scales.
_FAR = 1e6


@dataclass(frozen=True)
class Mend:
    """A change that makes a board meet what nobody meets.

    causes: their keys. texts: of the causes. change: what would be. metrics: what the board then has. broken:
    targets that it met before and then misses.
    """

    causes: tuple[str, ...]
    texts: tuple[str, ...]
    change: str
    metrics: dict[str, float]
    broken: tuple[Target, ...]
    of_the_sound: bool


def _nobody(share: float) -> None:
    del share


@dataclass(eq=False)
class Memory:
    """What boards did, and the sounds that were opened for it.

    tell: called while clips are played, with gone: how much of all clips was played since somebody set it to
    0, as a share of their length.
    """

    tell: Callable[[float], None] = _nobody
    gone: float = 0.0
    sounds: dict[Clip, Sound] = field(default_factory=dict)
    bench: dict[Chain, Columns] = field(default_factory=dict)
    heard: dict[tuple[Chain, int, Clip], Columns] = field(default_factory=dict)

    def sound(self, clip: Clip) -> Sound:
        """Return the sound of a clip."""
        if clip not in self.sounds:
            self.sounds[clip] = clip.sound()
        return self.sounds[clip]


@dataclass(eq=False)
class Lab:
    """Plays changed boards, to see whether they meet some targets of what is asked."""

    asked: Specification
    targets: tuple[Target, ...]
    workers: int
    memory: Memory = field(default_factory=Memory)
    _known: dict[tuple[Chain, tuple[float, ...]], Played] = field(default_factory=dict)
    _orders: dict[tuple[Chain, Target], list[int]] = field(default_factory=dict)

    def mend(self, start: Chain, causes: Sequence[Cause], changes: Sequence[Change]) -> Mend | None:
        """Return what changes make of a board, if it then meets the targets and the flash limit."""
        played = self._changed(start, changes)
        if played is None or not all(played.meets(one, self._order(start, one)) for one in self.targets):
            return None
        limit = Target(FLASH_METRIC, "at_most", self.asked.targets.flash_limit, 1.0)
        if not played.meets(limit, self._order(start, limit)):
            return None
        before = self._played(start, self.asked.clips)
        others = [one for one in self.asked.targets.soft if one not in self.targets]
        broken = tuple(one for one in others if _kept(one, before) and not _kept(one, played))
        known = {one.metric: played.metric(one.metric) for one in (*self.targets, *broken)}
        return Mend(
            causes=tuple(cause.key for cause in causes),
            texts=tuple(cause.text for cause in causes),
            change=" and ".join(change.text for change in changes),
            metrics=known | {FLASH_METRIC: played.metric(FLASH_METRIC)},
            broken=broken,
            of_the_sound=any(cause.of_the_sound for cause in causes),
        )

    def helps(self, start: Chain, cause: Cause) -> bool:
        """Whether a cause's mildest or strongest change brings a board nearer."""
        return self.share_left(start, cause.changes[:1]) < 1 or self.share_left(start, cause.changes[-1:]) < 1

    def left(self, starts: Sequence[Chain], cause: Cause) -> float:
        """Return the least share of a board's miss that a cause's strongest change leaves."""
        return min(self.share_left(start, cause.changes[-1:]) for start in starts)

    def share_left(self, start: Chain, changes: Sequence[Change]) -> float:
        """Return the share of a board's miss that changes leave, on the clips on which it is missed most."""
        before, after = self._played(start, self.asked.clips), self._changed(start, changes)
        if after is None:
            return math.inf

        def missed(played: Played) -> float:
            return sum(played.miss_at_worst(one, self._order(start, one)) for one in self.targets)

        was, now = missed(before), missed(after)
        return now / was if now < was - 1e-9 else math.inf

    def _order(self, start: Chain, target: Target) -> list[int]:
        """The clips, those first on which a board misses a target most."""
        if (start, target) not in self._orders:
            self._orders[start, target] = self._played(start, self.asked.clips).order(target)
        return self._orders[start, target]

    def _changed(self, start: Chain, changes: Sequence[Change]) -> Played | None:
        chain, clips = start, self.asked.clips
        try:
            for change in changes:
                chain, clips = change.make(chain, clips)
            return self._played(chain, clips)
        except ParameterError:
            return None

    def _played(self, chain: Chain, clips: Clips) -> Played:
        key = (chain, tuple(clip.level_db_spl for clip in clips))
        if key not in self._known:
            asked = replace(self.asked, clips=clips)
            judge = BoardJudge(asked, chain, [self.memory.sound(clip) for clip in clips], self.workers)
            self._known[key] = Played(judge, self.memory)
        return self._known[key]


@dataclass(eq=False)
class Played:
    """One board's metrics, each computed when it is asked for, of the clips that it speaks of."""

    judge: BoardJudge
    memory: Memory

    def metric(self, metric: str) -> float:
        """Return a metric over all clips that it speaks of; NaN where none can show it."""
        if metric in BENCH_METRICS:
            bench = self.memory.bench.setdefault(self.judge.nominal, {})
            if metric not in bench:
                bench |= self.judge.bench([self.judge.nominal], {metric})
            return float(bench[metric][0])
        return self._over(metric, self._spoken_of(metric))

    def order(self, target: Target) -> list[int]:
        """The clips that a target speaks of, those first on which it is missed most; none if on the bench."""
        if target.metric in _WHOLE:
            return []
        numbers = self._spoken_of(target.metric)
        short = sorted(numbers, key=lambda n: self.judge.recordings[n].duration_s)
        return sorted(short, key=lambda number: -_miss(target, self._over(target.metric, [number])))

    def meets(self, target: Target, order: Sequence[int]) -> bool:
        """Whether a target is met, looking no further than the first clip on which it is missed."""
        if not order:
            return _miss(target, self.metric(target.metric)) == 0
        return all(_miss(target, self._over(target.metric, [number])) == 0 for number in order)

    def miss_at_worst(self, target: Target, order: Sequence[int]) -> float:
        """Return the miss on the first clip of an order; over all where there is none."""
        value = self._over(target.metric, order[:1]) if order else self.metric(target.metric)
        return min(_miss(target, value), _FAR)

    def _spoken_of(self, metric: str) -> list[int]:
        tag = TAG_OF.get(metric)
        clips = self.judge.specification.clips
        return [number for number, clip in enumerate(clips) if tag is None or tag in clip.tags]

    def _clip(self, number: int) -> Columns:
        key = (self.judge.nominal, number, self.judge.specification.clips[number])
        if key not in self.memory.heard:
            lengths_s = [one.duration_s for one in self.judge.recordings]
            before, share = self.memory.gone, lengths_s[number] / sum(lengths_s)
            self.memory.heard[key] = self.judge.clip(
                number, [self.judge.nominal], lambda done: self.memory.tell(before + share * done)
            )
            self.memory.gone = before + share
        return self.memory.heard[key]

    def _over(self, metric: str, numbers: Sequence[int]) -> float:
        known = {number: self._clip(number) for number in numbers}
        if not known:
            return math.nan
        # Clips that are left aside take no part, as those on which nothing is judged.
        aside = {name: np.full(1, np.nan) for name in next(iter(known.values()))}
        columns = [known.get(number, aside) for number in range(len(self.judge.specification.clips))]
        return float(self.judge.over_clips(columns)[metric][0])


def _miss(target: Target, value: float) -> float:
    return float(np.nan_to_num(target.violation(np.asarray(value)), nan=np.inf))


def _kept(target: Target, played: Played) -> bool:
    return _miss(target, played.metric(target.metric)) == 0
