"""Why a target is met by nobody, and what would mend it: causes are tried away, and the boards played again.

The boards on which that is tried: the choice, of those that keep the flash limit the one that comes nearest
to the target, and the first in rank that flash once and twice less than is allowed. Each cause (changes.py)
has changes from mild to strong; a change mends if the board then meets the target and the flash limit. It is
clean if besides nothing is missed that the board met before. Of each cause the mildest clean change is named.

Only where no change of the board is clean are the levels of the clips tried away; where these mend, what is
asked contradicts itself at those levels. If nothing is clean, what mends at the price of another target is
named with the price; last, pairs of the strongest changes that come nearest, and up to three causes at
once, of which one alone may bring nothing. A cause whose mildest and
strongest change both bring the board no nearer, on the clip on which it is furthest off, is passed over.
Numbers in the sentences are those of these runs, with the sweep's own noise.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.metrics.across_clips import TAG_OF
from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study.sentences import Sentence
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.changes import Cause, Change, Clips, causes_of
from envlab.study.sweep.choice import Choice
from envlab.study.sweep.verdict_words import at_odds
from envlab.study.tolerance.board_metrics import BENCH_METRICS, BoardJudge, Columns

Progress = Callable[[str, float], None]

# Metrics that are of no clip, or of several together.
_WHOLE = {*BENCH_METRICS, "range_used_db"}
# An endless miss, as of −inf dB, in scales.
_FAR = 1e6
# Causes that come nearest by themselves, of which pairs are tried.
_PAIRED = 6
# Causes that are tried away at once where no two do, at most.
_TOGETHER = 3


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


def with_obstacles(
    choice: Choice, specification: Specification, *, workers: int = 2, progress: Progress | None = None
) -> Choice:
    """Return the choice with sentences on why targets are met by nobody, or not together, and what would.

    A choice of which every target is met by some candidate comes back as it is.
    """
    asked = specification.targets.known_in(choice.table)
    wanted: list[tuple[Target, ...]] = [(one.target,) for one in choice.ranking.replaced]
    odd = at_odds(choice.ranking, asked)
    wanted += [odd] if odd else []
    if not choice.flash_safe or not wanted:
        return choice
    said: list[Sentence] = []
    for number, targets in enumerate(wanted):
        if progress is not None:
            progress("What stands in the way", number / len(wanted))
        said.append(_words(targets, mends_of(choice, specification, targets, workers=workers)))
    return replace(choice, sentences=(*choice.sentences, *said))


def mends_of(
    choice: Choice, specification: Specification, targets: Sequence[Target], *, workers: int = 2
) -> list[Mend]:
    """Return what would make a board meet these targets, one a cause, in the order of the causes; or none."""
    starts = _starts(choice, specification, targets)
    causes = causes_of(choice.chain, specification, targets)
    lab = _Lab(specification, tuple(targets), workers)
    found: list[Mend] = []
    for of_the_sound in (False, True):
        some = [cause for cause in causes if cause.of_the_sound is of_the_sound]
        tried = [mend for cause in some if (mend := _first_mend(lab, starts, cause))]
        found += tried
        clean = [mend for mend in tried if not mend.broken]
        if clean:
            return clean
    return found or _pairs(lab, starts, causes) or _several(lab, starts, causes)


def _starts(choice: Choice, specification: Specification, targets: Sequence[Target]) -> list[Chain]:
    """The choice, the nearest of those within the flash limit, and the first with flashes to spare."""
    table = choice.table
    safe = np.flatnonzero(table["flash_safe"].to_numpy())
    values = np.array([one.violation(table[one.metric].to_numpy(float)[safe]) for one in targets])
    rows = [choice.number, int(safe[np.nan_to_num(values, nan=np.inf).max(axis=0).argmin()])]
    flashes, limit = table[FLASH_METRIC].to_numpy(float), specification.targets.flash_limit
    for spare in (1.0, 2.0):
        rows += [row for row in choice.ranking.order if flashes[row] <= limit - spare][:1]
    keys = tuple(specification.ranges)
    return [
        with_values(specification.chain, keys, [table.iloc[row][key] for key in keys])
        for row in dict.fromkeys(rows)
    ]


def _first_mend(lab: _Lab, starts: Sequence[Chain], cause: Cause) -> Mend | None:
    """The mildest clean change; if there is none, the mildest that breaks something else."""
    best: Mend | None = None
    helped = [start for start in starts if lab.helps(start, cause)]
    for change, start in itertools.product(cause.changes, helped):
        mend = lab.mend(start, (cause,), (change,))
        if mend is not None and not mend.broken:
            return mend
        if mend is not None and (best is None or len(mend.broken) < len(best.broken)):
            best = mend
    return best


def _pairs(lab: _Lab, starts: Sequence[Chain], causes: Sequence[Cause]) -> list[Mend]:
    """Pairs of the causes whose strongest change comes nearest alone."""
    left = {number: lab.left(starts, cause) for number, cause in enumerate(causes)}
    best = [causes[number] for number in sorted(left, key=lambda n: (left[n], n)) if left[number] < 1]
    best = best[:_PAIRED]
    for one, other in itertools.combinations(best, 2):
        if one.key.split(" too ")[0] == other.key.split(" too ")[0]:
            continue
        for start in starts:
            mend = lab.mend(start, (one, other), (one.changes[-1], other.changes[-1]))
            if mend is not None and not mend.broken:
                return [mend]
    return []


def _several(lab: _Lab, starts: Sequence[Chain], causes: Sequence[Cause]) -> list[Mend]:
    """Strongest changes one upon the other, each time the one that brings a board nearest, then made milder.

    A cause that by itself brings nothing may do so behind another: deeper pixels behind a finer converter.
    """
    start = min(starts, key=lambda one: min(lab.share_left(one, cause.changes[-1:]) for cause in causes))
    tried: dict[Cause, Change] = {}
    best = 1.0
    while len(tried) < _TOGETHER:
        names = {cause.key.split(" too ")[0] for cause in tried}
        rest = [one for one in causes if not one.of_the_sound and one.key.split(" too ")[0] not in names]
        left = [lab.share_left(start, (*tried.values(), one.changes[-1])) for one in rest]
        if not rest or min(left) >= best:
            return []
        best = min(left)
        nearest = rest[int(np.argmin(left))]
        tried[nearest] = nearest.changes[-1]
        mend = lab.mend(start, tuple(tried), tuple(tried.values()))
        if mend is not None and not mend.broken:
            return [_fewest(lab, start, tried, mend)]
    return []


def _fewest(lab: _Lab, start: Chain, tried: dict[Cause, Change], mend: Mend) -> Mend:
    """No cause without which it would do, and of the others the mildest changes that still do, in turn."""
    now = dict(tried)
    for cause in tried:
        fewer = {one: change for one, change in now.items() if one is not cause}
        found = lab.mend(start, tuple(fewer), tuple(fewer.values())) if fewer else None
        if found is not None and not found.broken:
            now, mend = fewer, found
    for cause in tuple(now):
        for change in cause.changes[:-1]:
            milder = now | {cause: change}
            found = lab.mend(start, tuple(milder), tuple(milder.values()))
            if found is not None and not found.broken:
                now, mend = milder, found
                break
    return mend


@dataclass(eq=False)
class _Lab:
    """Plays changed boards and remembers what they did."""

    asked: Specification
    targets: tuple[Target, ...]
    workers: int
    _known: dict[tuple[Chain, tuple[float, ...]], _Played] = field(default_factory=dict)
    _sounds: dict[Clip, Sound] = field(default_factory=dict)
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

        def missed(played: _Played) -> float:
            return sum(played.miss_at_worst(one, self._order(start, one)) for one in self.targets)

        was, now = missed(before), missed(after)
        return now / was if now < was - 1e-9 else math.inf

    def _order(self, start: Chain, target: Target) -> list[int]:
        """The clips, those first on which a board misses a target most."""
        if (start, target) not in self._orders:
            self._orders[start, target] = self._played(start, self.asked.clips).order(target)
        return self._orders[start, target]

    def _changed(self, start: Chain, changes: Sequence[Change]) -> _Played | None:
        chain, clips = start, self.asked.clips
        try:
            for change in changes:
                chain, clips = change.make(chain, clips)
            return self._played(chain, clips)
        except ParameterError:
            return None

    def _played(self, chain: Chain, clips: Clips) -> _Played:
        key = (chain, tuple(clip.level_db_spl for clip in clips))
        if key not in self._known:
            asked = replace(self.asked, clips=clips)
            judge = BoardJudge(asked, chain, [self._sound(clip) for clip in clips], self.workers)
            self._known[key] = _Played(judge)
        return self._known[key]

    def _sound(self, clip: Clip) -> Sound:
        if clip not in self._sounds:
            self._sounds[clip] = clip.sound()
        return self._sounds[clip]


@dataclass(eq=False)
class _Played:
    """One board's metrics, each computed when it is asked for, of the clips that it speaks of."""

    judge: BoardJudge
    _bench: Columns = field(default_factory=dict)
    _clips: dict[int, Columns] = field(default_factory=dict)

    def metric(self, metric: str) -> float:
        """Return a metric over all clips that it speaks of; NaN where none can show it."""
        if metric in BENCH_METRICS:
            if metric not in self._bench:
                self._bench |= self.judge.bench([self.judge.nominal], {metric})
            return float(self._bench[metric][0])
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

    def _over(self, metric: str, numbers: Sequence[int]) -> float:
        for number in numbers:
            if number not in self._clips:
                self._clips[number] = self.judge.clip(number, [self.judge.nominal])
        if not numbers:
            return math.nan
        # Clips that are left aside take no part, as those on which nothing is judged.
        aside = {name: np.full(1, np.nan) for name in self._clips[numbers[0]]}
        columns = [
            self._clips[number] if number in numbers else aside
            for number in range(len(self.judge.specification.clips))
        ]
        return float(self.judge.over_clips(columns)[metric][0])


def _miss(target: Target, value: float) -> float:
    return float(np.nan_to_num(target.violation(np.asarray(value)), nan=np.inf))


def _kept(target: Target, played: _Played) -> bool:
    return _miss(target, played.metric(target.metric)) == 0


def _words(targets: Sequence[Target], mends: Sequence[Mend]) -> Sentence:
    named = " and ".join(METRICS[one.metric].label for one in targets)
    behind: dict[str, float | str] = {"metrics": ", ".join(one.metric for one in targets)}
    if not mends:
        text = f"{named}: why nobody meets this was not found. Nothing that was tried brings it."
        return Sentence("cause", text, behind | {"causes": "not found"})
    behind["causes"] = "; ".join(" + ".join(mend.causes) for mend in mends)
    reasons = "; ".join(dict.fromkeys(" with ".join(mend.texts) for mend in mends))
    would = "; ".join(_would(mend, targets) for mend in mends)
    for mend in mends:
        for metric in (one.metric for one in targets):
            behind[f"{metric} with {mend.change}"] = mend.metrics[metric]
    if mends[0].of_the_sound and not mends[0].broken:
        text = f"{named}: the levels contradict what is asked. It would be met with {would}."
        return Sentence("cause", text, behind)
    if all(mend.broken for mend in mends):
        text = f"{named}: what is asked contradicts itself on this board. It would be met with {would}."
        return Sentence("cause", text, behind)
    text = f"{named}: what stands in the way is {reasons}. It would be met with {would}, each simulated."
    return Sentence("cause", text, behind)


def _would(mend: Mend, targets: Sequence[Target]) -> str:
    have = ", ".join(METRICS[one.metric].text(mend.metrics[one.metric]) for one in targets)
    price = ", ".join(_price(mend, one) for one in mend.broken)
    return f"{mend.change} ({have}{f', but then {price}' if price else ''})"


def _price(mend: Mend, target: Target) -> str:
    entry = METRICS[target.metric]
    return f"{entry.name_in_text} is {entry.text(mend.metrics[target.metric])}"


def causes_named(sentences: Sequence[Sentence]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield for each sentence on causes the metrics that it speaks of and the keys of the causes."""
    for one in sentences:
        if one.kind == "cause":
            yield str(one.behind["metrics"]), tuple(str(one.behind["causes"]).split("; "))
