"""What the wearer asks of the metrics, and by how much a candidate misses it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from envlab.errors import ParameterError, check_choice, check_positive, check_range
from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd

FLASH_LIMIT = 3.0


@dataclass(frozen=True)
class Target:
    """What is asked of one metric.

    Parameters
    ----------
    metric : str
        A name of METRICS.
    side : str
        "at_most" or "at_least".
    limit : float
        In the metric's unit.
    scale : float
        A miss by this much counts 1; above 0.

    Raises
    ------
    ParameterError
        For a metric or a side that there is not, or flashes beyond 3 a second.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import Target
    >>> target = Target("onset_lag_worst_ms", "at_most", limit=45.0, scale=20.0)
    >>> float(target.violation(np.array(65.0)))
    1.0
    """

    metric: str
    side: str
    limit: float
    scale: float

    def __post_init__(self) -> None:
        check_choice("metric", self.metric, tuple(METRICS))
        check_choice("side", self.side, ("at_most", "at_least"))
        check_range(f"{self.metric} {self.side}", self.limit)
        check_positive(f"{self.metric} scale", self.scale)
        if self.metric == FLASH_METRIC and (self.side != "at_most" or self.limit > FLASH_LIMIT):
            raise ParameterError(FLASH_METRIC, self.limit, f"at_most {FLASH_LIMIT:g} or stricter: it is hard")

    def violation(self, values: FloatArray) -> FloatArray:
        """Return max(0, (x − limit)/scale) of values in the metric's unit, sign reversed for a lower limit.

        Any shape. A miss by one scale is 1.
        """
        miss = values - self.limit if self.side == "at_most" else self.limit - values
        worst: FloatArray = (miss / self.scale).clip(0.0)
        return worst

    def words(self) -> str:
        """As in "latency, worst, at most 45 ms"."""
        entry = METRICS[self.metric]
        name = entry.name_in_text + ("," if "," in entry.label else "")
        limit = f"{100 * self.limit:g} %" if entry.is_share else f"{self.limit:g} {entry.unit}"
        return f"{name} {self.side.replace('_', ' ')} {limit}".rstrip()

    def text(self) -> str:
        """As in "attack at most 12 ms"."""
        unit = METRICS[self.metric].unit
        return f"{self.metric} {self.side.replace('_', ' ')} {self.limit:g} {unit}".rstrip()


@dataclass(frozen=True)
class Targets:
    """Targets in the order of the design file; the flash limit is always one of them.

    Parameters
    ----------
    items : tuple of Target
        Each metric named once.

    Examples
    --------
    >>> from envlab import Target, Targets
    >>> Targets((Target("ripple_db", "at_most", 1.5, 1.0),)).flash_limit
    3.0
    """

    items: tuple[Target, ...]

    def __post_init__(self) -> None:
        names = [target.metric for target in self.items]
        for name in names:
            if names.count(name) > 1:
                raise ParameterError("targets", name, "named once")

    @property
    def flash_limit(self) -> float:
        """Most flashes in any second: 3, or less where the design asks for less."""
        asked = [target.limit for target in self.items if target.metric == FLASH_METRIC]
        return asked[0] if asked else FLASH_LIMIT

    @property
    def soft(self) -> tuple[Target, ...]:
        """The targets without the flash limit."""
        return tuple(target for target in self.items if target.metric != FLASH_METRIC)

    def known_in(self, table: pd.DataFrame) -> tuple[Target, ...]:
        """The soft targets whose metric some candidate has (a clip that can show it was there)."""
        return tuple(t for t in self.soft if t.metric in table and bool(table[t.metric].notna().any()))
