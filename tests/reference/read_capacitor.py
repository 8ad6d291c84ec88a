"""A hold capacitor that a sampling capacitor shares charge with at every reading, without the package.

Between two readings Kirchhoff's law at the hold capacitor, integrated by scipy, C·dv/dt = (u − v)/Ra − v/Rr
while u > v and −v/Rr otherwise; at a reading both capacitors come to one voltage, v·C/(C + Cs), as charge is
kept. Everything against ground.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp


@dataclass(frozen=True)
class ReadCapacitor:
    """Parts in SI; sampling_farad comes empty to every reading, rate_hz times a second."""

    attack_ohm: float
    hold_farad: float
    release_ohm: float
    sampling_farad: float
    rate_hz: float

    @property
    def taken(self) -> float:
        """Share of the voltage that a reading takes."""
        return self.sampling_farad / (self.hold_farad + self.sampling_farad)

    def read_v(self, offered_v: Callable[[float], float], readings: int) -> np.ndarray:
        """Volts after each of the readings at 0, 1/rate_hz …, of a capacitor that is empty at 0."""

        def slope(time_s: float, v: np.ndarray) -> np.ndarray:
            charging_a = np.maximum(offered_v(time_s) - v, 0.0) / self.attack_ohm
            return (charging_a - v / self.release_ohm) / self.hold_farad

        period_s, v, after = 1 / self.rate_hz, 0.0, [0.0]
        for n in range(readings - 1):
            span_s = n * period_s, (n + 1) * period_s
            solved = solve_ivp(slope, span_s, [v], rtol=1e-8, atol=1e-10, max_step=period_s / 50)
            v = float(solved.y[0, -1]) * (1 - self.taken)
            after.append(v)
        return np.array(after)
