"""A stage that no release has: series resistor and shunt capacitor between band filter and rectifier.

tests/engine/test_stage_added.py puts it into a copy of the package. It has a state and a toleranced part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from envlab.analog.stage import Advanced, AnalogStage, Surroundings, part
from envlab.errors import check_range
from envlab.units import FloatArray


@dataclass(frozen=True)
class Smoother(AnalogStage):
    """One pole by backward difference; shunt_farad None: a wire. series_ohm: 1 Ω to 100 MΩ."""

    series_ohm: float = field(
        default=1e3, metadata=part("R91", 5, "smooths", "with C91", between=("in", "out"))
    )
    shunt_farad: float | None = field(
        default=None, metadata=part("C91", 10, "smooths", "to the bias", between=("out", "bias"))
    )

    def __post_init__(self) -> None:
        check_range("series_ohm", self.series_ohm, 1, 100e6, unit="ohm")
        if self.shunt_farad is not None:
            check_range("shunt_farad", self.shunt_farad, 1e-12, 1, unit="F")

    @property
    def is_wire(self) -> bool:
        """Whether there is no capacitor."""
        return self.shunt_farad is None

    def response(self, frequency_hz: float) -> complex:
        """1/(1 + s·R·C)."""
        return 1 / (1 + 2j * math.pi * frequency_hz * self.series_ohm * (self.shunt_farad or 0.0))

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """y += (x − y)/(1 + R·C·rate)."""
        from scipy.signal import lfilter

        take = 1 / (1 + self.series_ohm * (self.shunt_farad or 0.0) * around.sample_rate_hz)
        begin = np.array([(1 - take) * around.resting_v]) if state is None else state
        out, end = lfilter([take], [1, take - 1], signal, zi=begin)
        return Advanced(np.asarray(out), end)
