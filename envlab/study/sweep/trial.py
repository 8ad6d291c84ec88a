"""What boards of candidates did, and which of them tell most of the candidates that are still to be tried."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from envlab.study.tolerance.heard_boards import HeardBoards

# Boards that tell most: as many as a vector of any processor takes.
TELLING_BOARDS = 8
# Others are heard for so many times as long as it took boards to flash.
_LONGER = 2.0


@dataclass(frozen=True)
class Turn:
    """Some boards play a clip.

    places: of the boards, rising. clip: its number. within_s: no more of it is played than so much, s.
    """

    places: Sequence[int]
    clip: int
    within_s: float = math.inf


@dataclass(frozen=True)
class Trial:
    """What boards of one candidate did.

    tried: how many were simulated. flashing: of these, those that flash more often than the limit allows, or
    do not work; at least so many where the candidate was laid aside. meeting: those that meet every target
    that counts and the limit; None where that was not looked at. over: place and clip of each that flashed;
    left_s: after how much of it, s, the candidate was laid aside; inf: at the clip's end, or not at all.
    heard: what all of them made of the clips, where no candidate was to be laid aside; and those moved along.
    """

    tried: int
    flashing: int
    meeting: int | None = None
    over: tuple[tuple[int, int], ...] = field(default=(), compare=False, repr=False)
    heard: HeardBoards | None = field(default=None, compare=False, repr=False)
    left_s: float = field(default=math.inf, compare=False, repr=False)

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


def telling_boards(trials: Iterable[Trial]) -> Turn | None:
    """Return a turn of the boards that flash on most candidates, on the clip on which; None if none does.

    Where the clip was left as soon as they had flashed, no more of it than _LONGER times what was heard then.
    """
    trials = list(trials)
    flashed = Counter(one for trial in trials for one in trial.over)
    if not flashed:
        return None
    clip = _most_first(flashed)[0]
    times_of = {place: times for (place, number), times in flashed.items() if number == clip}
    most = sorted(times_of, key=lambda place: (-times_of[place], place))[:TELLING_BOARDS]
    left_s = (trial.left_s for trial in trials if any(number == clip for _, number in trial.over))
    return Turn(sorted(most), clip, _LONGER * max(left_s))


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
