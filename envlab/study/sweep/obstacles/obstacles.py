"""Why a target is met by nobody, and what would mend it: causes are tried away, and the boards played again.

The boards on which that is tried: the choice, of those that keep the flash limit the one that comes nearest
to the target, and the first in rank that flash once and twice less than is allowed. Each cause (changes.py)
has changes from mild to strong; a change mends if the board then meets the target and the flash limit. It is
clean if besides nothing is missed that the board met before. Of each cause the mildest clean change is named.

Only where no change of the board is clean are the levels of the clips tried away; where these mend, what is
asked contradicts itself at those levels. If nothing is clean, what mends at the price of another target is
named with the price; last, pairs of the strongest changes that come nearest, and up to three causes at once,
of which one alone may bring nothing. A cause whose mildest and strongest change both bring the board no
nearer, on the clip on which it is furthest off, is passed over. On clips of minutes the search goes over an
excerpt of each (excerpts.py); what mends there is named only if it mends on all of the clips. Numbers in the
sentences are those of these runs, with the sweep's own noise.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from envlab.chain import Chain
from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.study.sentences import Sentence
from envlab.study.specification.ranges import with_values
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target
from envlab.study.sweep.choice import Choice
from envlab.study.sweep.obstacles.changes import Cause, Change, causes_of
from envlab.study.sweep.obstacles.excerpts import EXCERPT_S, Excerpts
from envlab.study.sweep.obstacles.lab import Attempt, Lab, Memory, Mend, memory_of
from envlab.study.sweep.verdict_words import at_odds

Progress = Callable[[str, float], None]

# Causes that come nearest by themselves, of which pairs are tried.
_PAIRED = 6
# Boards that are played together to see whether what mends on excerpts does so on all of the clips.
_CHECKED = 8
# Causes that are tried away at once where no two do, at most.
_TOGETHER = 3
_AT_ONCE = ("alone", "two", "three")


def with_obstacles(
    choice: Choice, specification: Specification, *, workers: int = 2, progress: Progress | None = None
) -> Choice:
    """Return the choice with sentences on why targets are met by nobody, or not together, and what would.

    A choice of which every target is met by some candidate comes back as it is. progress: called with which
    search is on, and the share that is settled of what it may still have to try; it leaps where a cause is
    passed over or found.
    """
    asked = specification.targets.known_in(choice.table)
    wanted: list[tuple[Target, ...]] = [(one.target,) for one in choice.ranking.replaced]
    odd = at_odds(choice.ranking, asked)
    wanted += [odd] if odd else []
    if not choice.flash_safe or not wanted:
        return choice
    said: list[Sentence] = []
    excerpts = Excerpts(specification, memory_of(specification))
    for number, targets in enumerate(wanted, 1):
        bar = _Bar(f"In the way {number}/{len(wanted)}", progress or _ignore)
        lab = Lab(specification, targets, workers, excerpts.whole)
        said.append(_words(targets, *_mends(choice, lab, excerpts, bar)))
    return replace(choice, sentences=(*choice.sentences, *said))


def mends_of(
    choice: Choice, specification: Specification, targets: Sequence[Target], *, workers: int = 2
) -> list[Mend]:
    """Return what would make a board meet these targets, one a cause, in the order of the causes; or none."""
    excerpts = Excerpts(specification, memory_of(specification))
    lab = Lab(specification, tuple(targets), workers, excerpts.whole)
    return _mends(choice, lab, excerpts, _Bar("In the way", _ignore))[0]


def _mends(choice: Choice, whole: Lab, excerpts: Excerpts, bar: _Bar) -> tuple[list[Mend], list[str]]:
    """What would mend, and labels of the clips of which an excerpt alone was searched."""
    starts = _starts(choice, whole.asked, whole.targets)
    bar.watch(whole.memory)
    whole.play_starts(starts, bar.begin("now"))
    lab = excerpts.lab_on(whole, choice.chain, bar.begin("excerpts"))
    if lab is not whole:
        bar.watch(lab.memory)
        lab.play_starts(starts, bar.begin("now 2"))
    lengths_s = zip(lab.memory.lengths_s, whole.memory.lengths_s, strict=True)
    in_part = [
        clip.label for clip, (one, all_) in zip(lab.asked.clips, lengths_s, strict=True) if one != all_
    ]
    return _searched(choice, lab, starts, bar), in_part


def _searched(choice: Choice, lab: Lab, starts: Sequence[Chain], bar: _Bar) -> list[Mend]:
    causes = causes_of(choice.chain, lab.asked, lab.targets)
    found: list[Mend] = []
    for of_the_sound, what in ((False, "board"), (True, "levels")):
        some = [cause for cause in causes if cause.of_the_sound is of_the_sound]
        helped = _helped(lab, starts, some, what, bar)
        bar.begin(f"{what} 3", sum(len(cause.changes) * len(helped[cause]) for cause in some))
        firsts = (next(filter(lab.mends, _attempts(helped[cause], cause)), None) for cause in some)
        lab.mend_ahead(one for one in firsts if one is not None)
        tried = [mend for cause in some if (mend := _first_mend(lab, helped[cause], cause, bar))]
        found += tried
        clean = [mend for mend in tried if not mend.broken]
        if clean:
            return clean
    return found or _pairs(lab, starts, causes, bar) or _several(lab, starts, causes, bar)


def _helped(
    lab: Lab, starts: Sequence[Chain], causes: Sequence[Cause], what: str, bar: _Bar
) -> dict[Cause, list[Chain]]:
    """Return which boards each cause brings nearer; those are then played with all of its changes."""
    ends = [
        (start, (change,))
        for cause in causes
        for change in (cause.changes[0], cause.changes[-1])
        for start in starts
    ]
    lab.play_ahead(ends, bar.begin(what))
    helped = {cause: [start for start in starts if lab.helps(start, cause)] for cause in causes}
    rest = [(start, (change,)) for cause in causes for change in cause.changes for start in helped[cause]]
    lab.play_ahead(rest, bar.begin(f"{what} 2"))
    return helped


@dataclass(eq=False)
class _Bar:
    """How much of what a search may have to try is done; never less than it was.

    name: of all searches for one target. An attempt is one change on one board, or two or three together.
    """

    name: str
    report: Progress
    _memories: list[Memory] = field(default_factory=list)
    _what: str = ""
    _most: int = 1
    _settled: int = 0
    _last: float = 0.0

    def begin(self, what: str, attempts: int = 1) -> Callable[[float], None]:
        """Begin a search of so many attempts at most; return what is told how far the next one has come."""
        self._what, self._most, self._settled, self._last = what, max(1, attempts), 0, 0.0
        for memory in self._memories:
            memory.tell = self._hear
        self.settle(0)
        return self._hear

    def watch(self, memory: Memory) -> None:
        """Be told when a clip is played that nobody thought of ahead."""
        self._memories.append(memory)

    def settle(self, attempts: int) -> None:
        """So many more attempts are done, or will not be needed."""
        self._settled += attempts
        self._hear(0.0)

    def _hear(self, share: float) -> None:
        self._last = max(self._last, min(1.0, (self._settled + share) / self._most))
        self.report(f"{self.name}: {self._what}", self._last)


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


def _attempts(helped: Sequence[Chain], cause: Cause) -> list[Attempt]:
    """Changes of a cause from mild to strong, each on every board that it helps."""
    return [(start, (change,)) for change, start in itertools.product(cause.changes, helped)]


def _first_mend(lab: Lab, helped: Sequence[Chain], cause: Cause, bar: _Bar) -> Mend | None:
    """The mildest clean change; if there is none, the mildest that breaks something else.

    The first that mends is known on all of the clips; the others are played together if that was not enough.
    """
    best: Mend | None = None
    tried, ahead, first = _attempts(helped, cause), 0, True
    for number, (start, changes) in enumerate(tried):
        mends = lab.mends((start, changes))
        if mends and not first and number >= ahead:
            ahead = number + _CHECKED
            lab.mend_ahead(tried[number:ahead])
        first = first and not mends
        mend = lab.mend(start, (cause,), changes) if mends else None
        if mend is not None and not mend.broken:
            bar.settle(len(tried) - number)
            return mend
        bar.settle(1)
        if mend is not None and (best is None or len(mend.broken) < len(best.broken)):
            best = mend
    return best


def _pairs(lab: Lab, starts: Sequence[Chain], causes: Sequence[Cause], bar: _Bar) -> list[Mend]:
    """Pairs of the causes whose strongest change comes nearest alone."""
    left = {number: lab.left(starts, cause) for number, cause in enumerate(causes)}
    best = [causes[number] for number in sorted(left, key=lambda n: (left[n], n)) if left[number] < 1]
    pairs = [
        (one, other)
        for one, other in itertools.combinations(best[:_PAIRED], 2)
        if one.key.split(" too ")[0] != other.key.split(" too ")[0]
    ]
    both = [(start, pair) for pair in pairs for start in starts]
    lab.play_ahead([(start, _strongest(pair)) for start, pair in both], bar.begin("pairs"))
    bar.begin("pairs 2", len(both))
    for number, (start, pair) in enumerate(both):
        if number % _CHECKED == 0:
            lab.mend_ahead((one, _strongest(other)) for one, other in both[number : number + _CHECKED])
        mend = lab.mend(start, pair, _strongest(pair))
        bar.settle(1)
        if mend is not None and not mend.broken:
            return [mend]
    return []


def _strongest(causes: Sequence[Cause]) -> tuple[Change, ...]:
    return tuple(cause.changes[-1] for cause in causes)


def _several(lab: Lab, starts: Sequence[Chain], causes: Sequence[Cause], bar: _Bar) -> list[Mend]:
    """Strongest changes one upon the other, each time the one that brings a board nearest, then made milder.

    A cause that by itself brings nothing may do so behind another: deeper pixels behind a finer converter.
    """
    start = min(starts, key=lambda one: min(lab.share_left(one, cause.changes[-1:]) for cause in causes))
    tried: dict[Cause, Change] = {}
    best = 1.0
    while len(tried) < _TOGETHER:
        names = {cause.key.split(" too ")[0] for cause in tried}
        rest = [one for one in causes if not one.of_the_sound and one.key.split(" too ")[0] not in names]
        further = [(*tried.values(), one.changes[-1]) for one in rest]
        lab.play_ahead([(start, changes) for changes in further], bar.begin(_AT_ONCE[len(tried)]))
        left = [lab.share_left(start, changes) for changes in further]
        if not rest or min(left) >= best:
            return []
        best = min(left)
        nearest = rest[int(np.argmin(left))]
        tried[nearest] = nearest.changes[-1]
        mend = lab.mend(start, tuple(tried), tuple(tried.values()))
        if mend is not None and not mend.broken:
            return [_fewest(lab, start, tried, mend, bar)]
    return []


def _fewest(lab: Lab, start: Chain, tried: dict[Cause, Change], mend: Mend, bar: _Bar) -> Mend:
    """No cause without which it would do, and of the others the mildest changes that still do, in turn."""
    now = dict(tried)
    bar.begin("fewest", len(tried) + sum(len(cause.changes) - 1 for cause in tried))
    for cause in tried:
        fewer = {one: change for one, change in now.items() if one is not cause}
        found = lab.mend(start, tuple(fewer), tuple(fewer.values())) if fewer else None
        bar.settle(1)
        if found is not None and not found.broken:
            now, mend = fewer, found
    for cause in tuple(now):
        for change in cause.changes[:-1]:
            milder = now | {cause: change}
            found = lab.mend(start, tuple(milder), tuple(milder.values()))
            bar.settle(1)
            if found is not None and not found.broken:
                now, mend = milder, found
                break
    return mend


def _words(targets: Sequence[Target], mends: Sequence[Mend], in_part: Sequence[str]) -> Sentence:
    """What is said of some targets. in_part: labels of the clips of which an excerpt alone was searched."""
    named = " and ".join(METRICS[one.metric].label for one in targets)
    behind: dict[str, float | str] = {"metrics": ", ".join(one.metric for one in targets)}
    if not mends:
        text = f"{named}: why nobody meets this was not found. Nothing that was tried brings it"
        behind["causes"] = "not found"
        if in_part:
            text += f"; it was tried on {EXCERPT_S:g} s of {' and of '.join(in_part)}"
            behind |= {"excerpt_s": EXCERPT_S, "in_part": "; ".join(in_part)}
        return Sentence("cause", f"{text}.", behind)
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


def _ignore(what: str, share: float) -> None:
    del what, share


def causes_named(sentences: Sequence[Sentence]) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield for each sentence on causes the metrics that it speaks of and the keys of the causes."""
    for one in sentences:
        if one.kind == "cause":
            yield str(one.behind["metrics"]), tuple(str(one.behind["causes"]).split("; "))
