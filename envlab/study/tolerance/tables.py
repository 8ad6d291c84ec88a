"""From metrics of many boards to tables: who meets what, how far metrics spread, where worst cases lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from envlab.study.specification.targets import Target
from envlab.study.tolerance.tolerances import VariedParameter
from envlab.units import BoolArray, FloatArray

if TYPE_CHECKING:
    import pandas as pd

# A correlation over so many boards of more than this many standard errors is taken for an effect.
_BEYOND_CHANCE = 4.0
FEW = 40
# A metric that moves by less than this share of its target's scale stays where it was.
_MOVES = 0.01


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table, each as column → value."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def meets(metrics: pd.DataFrame, targets: Sequence[Target]) -> BoolArray:
    """Return whether each board meets each target, shape (boards, targets); a dead one meets none."""
    values = [metrics[target.metric].to_numpy(float) for target in targets]
    met = [(t.violation(x) == 0) & np.isfinite(x) for t, x in zip(targets, values, strict=True)]
    return np.stack(met, axis=1) if met else np.ones((len(metrics), 0), dtype=bool)


def target_table(targets: Sequence[Target], nominal: pd.Series, met: BoolArray) -> pd.DataFrame:
    """Return ToleranceResult.targets; met: shape (boards, targets)."""
    import pandas as pd

    return pd.DataFrame(
        {
            "metric": [target.metric for target in targets],
            "target": [target.words() for target in targets],
            "side": [target.side for target in targets],
            "limit": [target.limit for target in targets],
            "nominal": [float(nominal[target.metric]) for target in targets],
            "yield_share": met.mean(axis=0),
        }
    )


def distribution_table(targets: Sequence[Target], nominal: pd.Series, boards: pd.DataFrame) -> pd.DataFrame:
    """Return ToleranceResult.distribution: percentiles of the boards that work, linear between two of them.

    Where some stay dark, and so have −inf dB of range, there is no line between: the nearest board is taken.
    """
    import pandas as pd

    rows = []
    for target in targets:
        x = boards[target.metric].dropna().to_numpy(float)
        low, middle, high = np.percentile(
            x, (5, 50, 95), method="linear" if np.isfinite(x).all() else "nearest"
        )
        worst = x.max() if target.side == "at_most" else x.min()
        rows.append((target.metric, nominal[target.metric], low, middle, high, worst, target.limit))
    columns = ["metric", "nominal", "low_5", "median", "high_95", "worst", "limit"]
    return pd.DataFrame(rows, columns=columns)


def shows_in(deviation: FloatArray, met: BoolArray) -> bool:
    """Whether boards' meeting the targets visibly depends on one parameter's deviation.

    Both of shape (boards,).

    A parabola is fitted to met (0 or 1) over the deviation; it shows if slope or bend is more than two of its
    standard errors. Among fewer than FEW boards nothing can be told, so it is taken to show.
    """
    if met.size < FEW or np.ptp(deviation) == 0:
        return True
    share = (deviation - deviation.mean()) / np.ptp(deviation)
    terms = np.stack((np.ones_like(share), share, share**2), axis=1)
    spread = np.linalg.inv(terms.T @ terms)
    fitted = spread @ terms.T @ met
    left = met - terms @ fitted
    error = np.sqrt(np.diag(spread) * float(left @ left) / (met.size - 3))
    return bool((np.abs(fitted[1:]) > 2 * error[1:]).any())


@dataclass(frozen=True, eq=False)
class Corner:
    """Where every parameter hurts one metric. values: shape (parameters,), NaN for "as designed". order:
    parameters
    that move the metric by itself, the one that moves it most first."""

    values: FloatArray
    order: tuple[int, ...]

    def text(self, parameters: Sequence[VariedParameter]) -> str:
        """As in "microphone +3 dB, C3 hold −20 %"."""
        return ", ".join(parameters[i].text(self.values[i]) for i in self.order)


def worst_case_of(
    target: Target,
    parameters: Sequence[VariedParameter],
    drawn: FloatArray,
    boards: pd.Series,
    at_ends: pd.Series,
) -> Corner | None:
    """Return the worst_case of a target's metric; None if no source moves it.

    drawn: shape (boards, parameters). boards: the metric of each board. at_ends: the metric with each
    parameter in turn at its low and at its high end, the others as designed.
    """
    sign = 1.0 if target.side == "at_most" else -1.0
    values, moved = np.full(len(parameters), np.nan), np.zeros(len(parameters))
    works = boards.notna().to_numpy()
    hurt = _bounded(sign * boards.to_numpy(float)[works])
    for i, parameter in enumerate(parameters):
        low, high = (sign * float(x) for x in at_ends.iloc[2 * i : 2 * i + 2])
        worse = high - low
        if abs(worse) <= 1e-9 * max(1.0, abs(high)) or not np.isfinite(worse):
            worse = _trend(drawn[works, i], hurt)
            moved[i] = abs(worse) * float(np.std(hurt)) if worse else 0.0
        else:
            moved[i] = abs(worse)
        if worse != 0:
            values[i] = parameter.high if worse > 0 else parameter.low
    order = [int(i) for i in np.argsort(-moved, kind="stable") if moved[i] > 0]
    return Corner(values, tuple(order)) if order else None


def _bounded(hurt: FloatArray) -> FloatArray:
    """Infinities drawn in to the largest and smallest finite number, so that sums of them are numbers."""
    finite = hurt[np.isfinite(hurt)]
    return np.clip(hurt, finite.min(), finite.max()) if finite.size else np.zeros(hurt.size)


def _trend(deviation: FloatArray, hurt: FloatArray) -> float:
    """Correlation of a deviation with what hurts; 0 where chance alone might make it."""
    if hurt.size < 3 or np.ptp(hurt) == 0 or np.ptp(deviation) == 0:
        return 0.0
    found = float(np.corrcoef(deviation, hurt)[0, 1])
    return found if abs(found) > _BEYOND_CHANCE / np.sqrt(hurt.size) else 0.0


def changes(there: pd.Series, nominal: pd.Series, targets: list[Target]) -> dict[str, tuple[float, float]]:
    """Return metric → (as designed, there) of what moves by more than a little of its target's scale."""
    both = {t: (float(nominal[t.metric]), float(there[t.metric])) for t in targets}
    return {t.metric: (was, now) for t, (was, now) in both.items() if not abs(now - was) <= _MOVES * t.scale}


def moves(at_ends: pd.DataFrame, nominal: pd.Series, targets: list[Target]) -> bool:
    """Return whether an end moves any target's metric by more than a little of its scale, or is no board."""
    for target in targets:
        moved = np.abs(at_ends[target.metric].to_numpy(float) - float(nominal[target.metric]))
        if not (moved <= _MOVES * target.scale).all():
            return True
    return False


def of_all(found: FloatArray, before: float, whole: float) -> FloatArray:
    """Return what yields of some boards are of all: the loss shrinks alike.

    found: of some boards, which had the yield before; whole: of all as they are.
    """
    return found if before == 1 else np.clip(1 - (1 - whole) * (1 - found) / (1 - before), 0.0, 1.0)


def with_column(values: FloatArray, parameter: int, column: FloatArray | float) -> FloatArray:
    """Return boards' values, shape (boards, parameters) in the units of draw, with another column.

    column: of that parameter, shape (boards,), in its unit.
    """
    changed = values.copy()
    changed[:, parameter] = column
    return changed
