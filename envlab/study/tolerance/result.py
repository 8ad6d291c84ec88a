"""What many boards of one design come to, as tables and sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from envlab.notebook_view import small_table
from envlab.study.sentences import Sentence, texts
from envlab.study.tolerance.tolerances import Tolerances, VariedParameter

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class ConditionEnd:
    """The board as designed at one end of the temperature, all else as designed.

    Parameters
    ----------
    temperature_c : float
        °C.
    moved : tuple of str
        What it does to the parts, one clause each.
    metrics : mapping
        Metric → (as designed, there), of those with a target that move by a hundredth of its scale.
    """

    temperature_c: float
    moved: tuple[str, ...]
    metrics: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, eq=False, repr=False)
class ToleranceResult:
    """What many boards of one design do.

    Parameters
    ----------
    assumed : Tolerances
        How far they lie apart.
    parameters : tuple of VariedParameter
        What differs from board to board.
    boards : pandas DataFrame
        One row a board: deviations (units in the names), metrics, meets_all.
    nominal : pandas Series
        The metrics of the board as designed.
    yield_share : float
        Of the boards, those that meet all targets and the flash limit, 0 to 1.
    targets : pandas DataFrame
        One row a target, the flash limit first: metric, target (words), side, limit, nominal, yield_share.
    distribution : pandas DataFrame
        One row a metric with a target: metric, nominal, low_5, median, high_95, worst, limit.
    causes : pandas DataFrame
        One row a parameter, the costliest first: name, label, range (text), yield_if_exact, gain, tighter
        (text, "" if not tried), yield_if_tighter; of the targets that the design itself meets.
    worst_cases : pandas DataFrame
        One row a metric that any parameter moves: metric, limit, nominal, value, meets, at (text: what stands
        where, what moves the metric most first).
    conditions : tuple of ConditionEnd
        The ends of the temperature at which any part is another than as designed; none on a board that does
        not feel it.
    sentences : tuple of Sentence
        Records of the kinds that words.KINDS names; words has their texts.
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
    conditions: tuple[ConditionEnd, ...] = ()
    sentences: tuple[Sentence, ...] = ()

    def __repr__(self) -> str:
        share = f"{100 * self.yield_share:.0f} % meet {len(self.targets)} targets"
        return f"<ToleranceResult: {len(self.boards)} boards, {share}>"

    def _repr_html_(self) -> str:
        shown = self.targets[["target", "nominal", "yield_share"]].itertuples(index=False)
        rows = [(words, f"{designed:.4g}", f"{100 * share:.0f} %") for words, designed, share in shown]
        return small_table(repr(self)[1:-1], ("target", "as designed", "boards that meet it"), rows)

    @property
    def words(self) -> tuple[str, ...]:
        """What the boards say, one sentence or two a line, the yield first."""
        return texts(self.sentences)
