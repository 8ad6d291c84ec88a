"""Changed boards are played, many together, and what they did is remembered: nothing is played twice.

A board's numbers on a clip depend on the board, the clip's place among all (whose noise it is) and its level
alone, those on test signals on the board: whoever asks about another target, or moves another clip's level,
finds them here. Boards that a search will ask for are played ahead, side by side, as a sweep plays its
candidates: an evening of music is then gone through a few times, and not once for each of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np

from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.metrics.across_clips import TAG_OF
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.judgeable import judged_columns
from envlab.metrics.metrics_of_clip import clip_columns, clip_seed
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study.specification.heard_sounds import Hearing, hearing
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.obstacles.changes import Cause, Change, Clips
from envlab.study.tolerance.board_columns import Columns
from envlab.study.tolerance.board_metrics import BENCH_METRICS, BoardJudge
from envlab.units import FloatArray, IntArray

# A board, the number of a clip, and the clip.
Heard = tuple[Chain, int, Clip]
# A board, and how it is to be changed.
Attempt = tuple[Chain, Sequence[Change]]
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


@dataclass(frozen=True, eq=False)
class Misses:
    """What a board misses on one clip.

    targets: by how much, shape (targets,), scales. flashes: most in a second, NaN where none can be counted.
    """

    targets: FloatArray
    flashes: float

    def apart(self, was: Misses) -> float:
        """Return how far these are from what they were, in shares of it and in flashes."""
        missed = np.abs(self.targets - was.targets) / np.maximum(was.targets, 1.0)
        return float(missed.sum() + abs(np.nan_to_num(self.flashes) - np.nan_to_num(was.flashes)))


def _nobody(share: float) -> None:
    del share


def _whole(number: int, clip: Clip) -> Sound:
    """All of a clip, whichever it is."""
    del number
    return clip.sound()


@dataclass(eq=False)
class Memory:
    """What boards did.

    lengths_s: of the clips, whatever their levels. as_heard: how finely candidates hear them. tell: called
    while a clip is played that nobody thought of ahead. sound_of: what is played for a clip of some number.
    too_often: who was seen to flash more often than may be, and was then not heard to the clip's end.
    """

    lengths_s: tuple[float, ...]
    as_heard: Hearing
    tell: Callable[[float], None] = _nobody
    sound_of: Callable[[int, Clip], Sound] = _whole
    bench: dict[Chain, Columns] = field(default_factory=dict)
    heard: dict[Heard, Columns] = field(default_factory=dict)
    too_often: set[Heard] = field(default_factory=set)

    def play(
        self,
        wanted: Iterable[Heard],
        seed: int,
        workers: int,
        tell: Callable[[float], None],
        most_flashes: float = math.inf,
    ) -> None:
        """Play what is wanted and not yet known; tell: called with the share of it that is done.

        most_flashes: in a second. Boards that are played together are left once all of them flash more often.
        """
        left = self.too_often if most_flashes < math.inf else ()
        fresh = [one for one in dict.fromkeys(wanted) if one not in self.heard and one not in left]
        together: dict[object, list[Heard]] = {}
        for one in fresh:
            chain, number, clip = one
            as_heard = self.as_heard.with_boards([chain])
            together.setdefault((number, clip, _alike(chain), as_heard), []).append(one)
        lengths_s = [self.lengths_s[group[0][1]] for group in together.values()]
        for turn, group in enumerate(together.values()):

            def tell_of(share: float, turn: int = turn) -> None:
                tell((sum(lengths_s[:turn]) + share * lengths_s[turn]) / sum(lengths_s))

            self._play(group, seed, workers, tell_of, most_flashes)

    def _play(
        self,
        group: list[Heard],
        seed: int,
        workers: int,
        tell: Callable[[float], None],
        most_flashes: float,
    ) -> None:
        chains, (_, number, clip) = [chain for chain, _, _ in group], group[0]
        # Opened for as long as it plays: there are as many of each clip as levels are tried.
        sound = self.as_heard.with_boards(chains).of(self.sound_of(number, clip))
        tables = [chain.brightness_table() for chain in chains]
        shown = judged_columns(clip, sound, {FLASH_METRIC: np.zeros(len(chains))}, chains)[FLASH_METRIC]

        def all_too_often(flashes: IntArray) -> bool:
            # Where flashes are not judged this adds up to no number, which is above nothing.
            return bool(np.all(shown + flashes > most_flashes))

        columns = clip_columns(
            sound, chains, tables, seed=clip_seed(seed, number), workers=workers, progress=tell,
            enough=all_too_often if most_flashes < math.inf else None,
        )  # fmt: skip
        if columns.keys() == {FLASH_METRIC}:
            self.too_often |= set(group)
            return
        judged = judged_columns(clip, sound, columns, chains)
        for place, one in enumerate(group):
            self.heard[one] = {name: values[place : place + 1] for name, values in judged.items()}


def memory_of(specification: Specification) -> Memory:
    """Return an empty memory for boards on a specification's clips."""
    lengths_s = tuple(sound.duration_s for sound in specification.sounds)
    return Memory(lengths_s, hearing(specification))


def _alike(chain: Chain) -> object:
    """Return what boards must share to be played together, as candidates of a sweep are."""
    apart = {"preamp", "band_filter", "rectifier", "detector", "hold_capacitor", "follower", "brightness"}
    rest = [getattr(chain, one.name) for one in fields(chain) if one.name not in apart]
    return (chain.preamp.noise_density_v_per_rthz, *rest)


@dataclass(eq=False)
class Lab:
    """Plays changed boards, to see whether they meet some targets of what is asked.

    whole: of the same targets on all of the clips, where memory is of excerpts of them.
    """

    asked: Specification
    targets: tuple[Target, ...]
    workers: int
    memory: Memory
    whole: Lab | None = None
    _known: dict[tuple[Chain, tuple[float, ...]], Played] = field(default_factory=dict, init=False)
    _orders: dict[tuple[Chain, Target], list[int]] = field(default_factory=dict, init=False)

    def play_ahead(
        self,
        tried: Iterable[Attempt],
        tell: Callable[[float], None],
        most_flashes: float = math.inf,
    ) -> None:
        """Play boards with some changes on the clips on which they miss the targets most.

        tell: called with the share that is done. most_flashes: as Memory.play.
        """
        wanted = []
        for start, changes in tried:
            played = self._changed(start, changes)
            if played is not None:
                numbers = {number for one in self.targets for number in self._order(start, one)[:1]}
                wanted += [played.heard(number) for number in sorted(numbers)]
        self.memory.play(wanted, self.asked.judging.seed, self.workers, tell, most_flashes)

    def play_starts(self, starts: Iterable[Chain], tell: Callable[[float], None]) -> None:
        """Play boards as they are on all clips; tell: as play_ahead."""
        every = range(len(self.asked.clips))
        wanted = [self._played(one, self.asked.clips).heard(number) for one in starts for number in every]
        self.memory.play(wanted, self.asked.judging.seed, self.workers, tell)

    def mend(self, start: Chain, causes: Sequence[Cause], changes: Sequence[Change]) -> Mend | None:
        """Return what changes make of a board, if it then meets the targets and the flash limit.

        On all of the clips: where these are heard in excerpts, on the excerpts first.
        """
        played = self._mended(start, changes)
        if played is None:
            return None
        if self.whole is not None:
            self.mend_ahead([(start, changes)])
            return self.whole.mend(start, causes, changes)
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

    def mends(self, attempt: Attempt) -> bool:
        """Whether a changed board meets targets and flash limit: on excerpts, where these are heard."""
        return self._mended(*attempt) is not None

    def mend_ahead(self, tried: Iterable[Attempt]) -> None:
        """Play on all of the clips, together, what mends on excerpts of them, where these are heard."""
        if self.whole is not None:
            mended = [one for one in tried if self.mends(one)]
            self.whole.play_ahead(mended, self.whole.memory.tell, self.asked.targets.flash_limit)

    def _mended(self, start: Chain, changes: Sequence[Change]) -> Played | None:
        """A changed board, if it meets the targets and the flash limit."""
        limit = Target(FLASH_METRIC, "at_most", self.asked.targets.flash_limit, 1.0)
        played = self._changed(start, changes)
        if played is None or played.seen_too_often:
            return None
        meets = (played.meets(one, self._order(start, one)) for one in (*self.targets, limit))
        return played if all(meets) else None

    def misses_on(self, board: Chain, number: int) -> Misses:
        """Return what a board misses on a clip by itself, of targets that a clip can show by itself."""
        played = self._played(board, self.asked.clips)
        missed = [played.miss_at_worst(one, [number]) for one in self.targets if one.metric not in _WHOLE]
        return Misses(np.array(missed), played.on_clip(FLASH_METRIC, number))

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
            self._known[key] = Played(BoardJudge(asked, chain, (), self.workers), self.memory)
        return self._known[key]


@dataclass(eq=False)
class Played:
    """One board's metrics, each computed when it is asked for, of the clips that it speaks of."""

    judge: BoardJudge
    memory: Memory

    @property
    def seen_too_often(self) -> bool:
        """Whether on some clip it was seen to flash more often than may be."""
        clips = range(len(self.judge.specification.clips))
        return any(self.heard(number) in self.memory.too_often for number in clips)

    def metric(self, metric: str) -> float:
        """Return a metric over all clips that it speaks of; NaN where none can show it."""
        if metric in BENCH_METRICS:
            bench = self.memory.bench.setdefault(self.judge.nominal, {})
            if metric not in bench:
                bench |= self.judge.bench([self.judge.nominal], {metric})
            return float(bench[metric][0])
        return self._over(metric, self._spoken_of(metric))

    def on_clip(self, metric: str, number: int) -> float:
        """Return a metric on one clip, in the unit of its catalogue entry; NaN where it does not show it."""
        return self._over(metric, [number])

    def order(self, target: Target) -> list[int]:
        """The clips that a target speaks of, those first on which it is missed most; none if on the bench."""
        if target.metric in _WHOLE:
            return []
        numbers = self._spoken_of(target.metric)
        short = sorted(numbers, key=lambda number: self.memory.lengths_s[number])
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

    def heard(self, number: int) -> Heard:
        """Return what stands for this board on clip number."""
        return self.judge.nominal, number, self.judge.specification.clips[number]

    def _clip(self, number: int) -> Columns:
        key, judging = self.heard(number), self.judge.specification.judging
        self.memory.play([key], judging.seed, self.judge.workers, self.memory.tell)
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
