"""What many boards of one design come to, as tables and sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from envlab.study.sentences import Sentence, texts
from envlab.study.tolerance.tolerances import Tolerances, VariedParameter

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class ToleranceResult:
    """What many boards of one design do.

    assumed: how far they lie apart. parameters: what differs. boards: one row a board: deviations (units in the
    names), metrics, meets_all. nominal: the metrics of the board as designed. yield_share: of the boards,
    those that meet all targets and the flash limit, 0 to 1.
    targets: one row a target, the flash limit first: metric, target (words), side, limit, nominal,
    yield_share.
    distribution: one row a metric with a target: metric, nominal, low_5, median, high_95, worst, limit.
    causes: one row a parameter, the costliest first: name, label, range (text), yield_if_exact, gain,
    tighter (text, "" if not tried), yield_if_tighter; of the targets that the design itself meets.
    worst_cases: one row a metric that any parameter moves: metric, limit, nominal, value, meets, at (text: what
    stands where, what moves the metric most first).
    sentences: records of the kinds that words.KINDS names; words: their texts.
    """

    assumed: Tolerances
    parameters: tuple[VariedParameter, ...]
    boards: pd.DataFrame
    nominal: pd.Series
    yield_share: float
    targets: pd.DataFrame
    distribution: pd.DataFrame
    causes: pd.DataFrame
    worst_cases: pd.DataFrame
    sentences: tuple[Sentence, ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        """What the boards say, one sentence or two a line, the yield first."""
        return texts(self.sentences)
