"""Percentiles, straight between samples: which samples in order they lie between, and how far."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from envlab.units import FloatArray


class Between(NamedTuple):
    """low, high: ranks of two neighbouring samples in rising order, 0 the least; share: of the way up."""

    low: int
    high: int
    share: float

    def of(self, at_low: NDArray[Any], at_high: NDArray[Any]) -> FloatArray:
        """Return the percentile from the samples at the two ranks, at_low and at_high, any shape and unit."""
        return np.asarray(at_low + self.share * (at_high - at_low), dtype=np.float64)


def percentile(percent: float, samples: int) -> Between:
    """Return where a percentile of so many samples lies: (samples − 1)·percent/100 ranks above the least."""
    place = (samples - 1) * (percent / 100)
    low = int(np.floor(place))
    return Between(low, min(low + 1, samples - 1), place - low)
