"""Level scale of a board that does not count in proportion: levels simulated one by one, and in between."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from envlab.errors import ParameterError
from envlab.light.curve import LevelScale
from envlab.units import FloatArray


@dataclass(frozen=True)
class SimulatedScale(LevelScale):
    """levels_db_spl: rising. simulated_counts: above quiescent, above 0, rising, one a level.

    swallowed_lsb: what a dead zone or the pin's buffer takes off every rise above quiescent, LSB, 0 or more.
    Between two levels the logarithm of the counts with what was swallowed is straight; outside it goes on as
    at the end, down to no count.
    """

    levels_db_spl: tuple[float, ...] = ()
    simulated_counts: tuple[float, ...] = ()
    swallowed_lsb: float = 0.0

    def __post_init__(self) -> None:
        super().__post_init__()
        counts = np.asarray(self.simulated_counts)
        if len(self.levels_db_spl) < 2 or counts.size != len(self.levels_db_spl):
            raise ParameterError("simulated_counts", counts.size, "at least 2, one a level")
        if counts[0] <= 0 or np.any(np.diff(counts) <= 0) or np.any(np.diff(self.levels_db_spl) <= 0):
            raise ParameterError("simulated_counts", counts.tolist(), "above 0 and rising with the level")

    def counts(self, level_db_spl: float) -> float:
        """Return the counts above quiescent of a level in dB SPL."""
        rise_lsb = math.exp(_along(level_db_spl, self.levels_db_spl, self._log_rises))
        return max(rise_lsb - self.swallowed_lsb, 0.0)

    def level_db_spl(self, counts: float) -> float:
        """Return the level in dB SPL that gives these counts above quiescent (−inf for 0)."""
        if counts <= 0.0:
            return -math.inf
        return _along(math.log(counts + self.swallowed_lsb), self._log_rises, self.levels_db_spl)

    @property
    def _log_rises(self) -> FloatArray:
        return np.log(np.asarray(self.simulated_counts) + self.swallowed_lsb)


def _along(x: float, places: np.typing.ArrayLike, values: np.typing.ArrayLike) -> float:
    at, of = np.asarray(places, dtype=float), np.asarray(values, dtype=float)
    k = int(np.clip(np.searchsorted(at, x) - 1, 0, at.size - 2))
    return float(of[k] + (x - at[k]) * (of[k + 1] - of[k]) / (at[k + 1] - at[k]))
