"""A capture against its design: which parts the board has, whether they are within tolerance, what is
wrong.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from envlab.bench.captures.capture import Capture
from envlab.bench.compare import Comparison, compare
from envlab.bench.faults.fault_classes import (
    CANNOT_TELL,
    HALF_WAVE,
    NOTHING,
    REVERSED,
    SATURATED,
    SWAPPED,
    next_step_of,
)
from envlab.bench.faults.ranking import Ranking, certain, expected_of, rank_faults
from envlab.bench.fit.align import Alignment, NoMarksError, align, align_whole
from envlab.bench.fit.fit import FittedBoard, fit_as, fit_board
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import BoardValues, designed_values
from envlab.bench.input_checks import check_capture, check_levels
from envlab.bench.signals.expected_boards import boards_within
from envlab.bench.signals.program import BenchProgram, bench_program
from envlab.chain import Chain

# An attack that seems slower than this, over the design's, is fitted with half of the wave, too.
_SLOWER = 1.25
# A gain under this, over the design's, may be none of the gain's doing.
_MUCH_LESS = 0.3
# A release that seems no quicker than this, over the design's, is not that of swapped resistors.
_QUICKER = 0.7
# Share of readings at the top code from which on a converter counts as saturated.
_AT_TOP = 0.01
# Of a healthy board at least this share of readings lies within the limits; of one with swapped resistors,
# whose likelihood alone said healthy, it was 2 of 18.
_MOST_READ = 0.5
# Counts by which a capture must move, to be more than its noise.
_FLAT_LSB = 4.0


@dataclass(frozen=True, eq=False)
class BoardCheck:
    """What a capture says of a board.

    fitted: its numbers; None where nothing could be fitted. comparisons: measured beside simulated. ranking:
    what may be wrong. program: what was played. notes: what is wrong with the capture itself. healthy: the
    boards within tolerance that it was held against.
    """

    chain: Chain
    program: BenchProgram
    fitted: FittedBoard | None
    comparisons: tuple[Comparison, ...]
    ranking: Ranking
    notes: tuple[str, ...]
    healthy: tuple[BoardValues, ...] = ()

    @property
    def passes(self) -> bool:
        """Whether the board lies within its tolerances, and every comparison too."""
        return self.ranking.is_healthy and all(one.passes for one in self.comparisons)


class BoardChecker:
    """Checks captures of boards of one design.

    Parameters
    ----------
    chain : Chain
        The design.
    way : str
        How the bench signal is put in: "wire" or "acoustic".
    healthy : list of BoardValues or None
        Boards within their tolerances; None: drawn from the usual ones.
    """

    def __init__(self, chain: Chain, way: str = "wire", healthy: list[BoardValues] | None = None) -> None:
        self.chain, self.program = chain, bench_program(chain, way)
        self.model = BenchModel(chain, self.program)
        self.healthy = boards_within(chain, way) if healthy is None else healthy

    def check(self, capture: Capture) -> BoardCheck:
        """Return what a capture says of the board.

        Parameters
        ----------
        capture : Capture
            Of the whole bench signal.

        Raises
        ------
        EnvlabError
            One line, for a capture that cannot be judged.
        """
        check_capture(capture, self.model)
        obvious = self._without_fit(capture)
        if obvious is not None:
            return self._told(capture, None, (), certain(obvious, next_step_of(obvious, self.chain)))
        alignment = self._aligned(capture)
        if alignment is None:
            ranking = certain(REVERSED, next_step_of(REVERSED, self.chain))
            return self._told(capture, None, (), ranking)
        check_levels(capture, alignment, self.model)
        fitted = fit_board(capture, self.model, alignment)
        others = dict(self._other_ways(capture, alignment, fitted))
        ranking = rank_faults(self.chain, self.program.way, [fitted, *others.values()], self.healthy)
        fitted = others.get(ranking.verdict, fitted)
        rows = compare(capture, fitted, self.model, self.healthy)
        if ranking.is_healthy and sum(one.passes for one in rows) < _MOST_READ * len(rows):
            # A fit so uncertain that even a healthy board could have made it is no proof of one.
            ranking = replace(ranking, verdict=CANNOT_TELL)
        return self._told(capture, fitted, rows, ranking)

    def _other_ways(
        self, capture: Capture, alignment: Alignment, fitted: FittedBoard
    ) -> Iterator[tuple[str, FittedBoard]]:
        """(fault, the board as it would explain the capture as well)."""
        design, found = designed_values(self.chain), fitted.values
        slow = found.attack_s > _SLOWER * design.attack_s
        if self.chain.rectifier.kind == "full" and slow:
            yield HALF_WAVE, fit_board(capture, self.model, alignment, half_wave=True)
        if found.release_s < _QUICKER * design.release_s and (slow or found.gain < _MUCH_LESS):
            # Behind a small release resistor a slow attack looks like little gain; a few counts do not tell
            # the two apart, nor both from a limit.
            swapped = _swapped(design)
            expected = expected_of(swapped, self.chain, self.program.way, self.healthy)
            yield SWAPPED, fit_as(capture, self.model, fitted, swapped, expected)

    def _told(
        self,
        capture: Capture,
        fitted: FittedBoard | None,
        rows: tuple[Comparison, ...],
        ranking: Ranking,
    ) -> BoardCheck:
        return BoardCheck(self.chain, self.program, fitted, rows, ranking, capture.notes, tuple(self.healthy))

    def _without_fit(self, capture: Capture) -> str | None:
        """The fault that shows at a glance: all at the top, or nothing at all."""
        values = capture.values[np.isfinite(capture.values)]
        adc = self.chain.adc
        if capture.is_counts and np.mean(values >= adc.top_code) > _AT_TOP:
            return SATURATED
        one_lsb = capture.one_count(adc.lsb_v)
        moves = np.percentile(values, 99.5) - np.percentile(values, 0.5)
        noise = 7 * adc.noise_lsb * one_lsb
        return NOTHING if moves < max(_FLAT_LSB * one_lsb, noise) else None

    def _aligned(self, capture: Capture) -> Alignment | None:
        """Where the file lies; None where the reading falls while it should rise."""
        design = designed_values(self.chain)
        try:
            return align(capture, self.model, design)
        except NoMarksError:
            pass
        try:
            return align_whole(capture, self.model, self._shapes())
        except NoMarksError as problem:
            # With its diode the other way round a reading falls from its rest, and soon ends at 0.
            rest = float(np.nanpercentile(capture.values, 99.5))
            mirrored = replace(capture, values=np.maximum(rest - capture.values, 0.0))
            one_v = self.chain.adc.lsb_v if capture.is_counts else 1.0
            try:
                align_whole(mirrored, self.model, [design], rest * one_v)
            except NoMarksError:
                raise problem from None
        return None

    def _shapes(self) -> list[BoardValues]:
        """Boards with the faults that bend a mark most."""
        design = designed_values(self.chain)
        return [
            replace(design, attack_s=10 * design.attack_s),
            replace(design, release_s=50 * design.release_s),
            _swapped(design),
            replace(design, release_s=0.1 * design.release_s),
            replace(design, drop_v=0.4),
        ]


def _swapped(design: BoardValues) -> BoardValues:
    """The design with its attack and release resistors exchanged."""
    return replace(design, attack_s=design.release_s, release_s=design.attack_s)


__all__ = ["CANNOT_TELL", "BoardCheck", "BoardChecker"]
