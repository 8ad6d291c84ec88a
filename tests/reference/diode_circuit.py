"""A diode, its capacitors and resistors as differential equations, solved without the package under test.

The diode's current comes from a bracketing root finder on i·R + n·V_T·ln(1 + i/Is) = u, nothing closed form.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.constants import Boltzmann, elementary_charge
from scipy.integrate import solve_ivp
from scipy.optimize import brentq


@dataclass(frozen=True)
class DiodeCircuit:
    """Source u(t) → [coupling_farad, return_ohm to the foot] → diode and R → hold_farad ∥ release_ohm."""

    saturation_a: float
    emission: float
    kelvin: float
    resistance_ohm: float
    hold_farad: float
    release_ohm: float
    leak_ohm: float = math.inf
    coupling_farad: float | None = None
    return_ohm: float = math.inf
    most_a: float = math.inf

    def current_a(self, volts: float) -> float:
        """Through diode and resistance at the voltage across both."""
        slope = self.emission * Boltzmann * self.kelvin / elementary_charge

        def surplus(log_share: float) -> float:
            """log_share: ln(1 + i/Is), so that neither a blocked nor a full diode is beyond the numbers."""
            return self.resistance_ohm * self.saturation_a * math.expm1(log_share) + slope * log_share - volts

        if volts <= 0:
            low, high = volts / slope - 1, 1e-9
        else:
            low, high = -1e-9, math.log1p(volts / self.resistance_ohm / self.saturation_a) + 1e-9
        share = brentq(surplus, low, high, xtol=1e-13, rtol=1e-13)
        return min(self.saturation_a * math.expm1(share), self.most_a)

    def held_v(
        self,
        source_v: Callable[[float], float],
        times_s: np.ndarray,
        longest_step_s: float,
        tolerance: float = 1e-8,
    ) -> np.ndarray:
        """Volts on the hold capacitor at rising times, out of silence at −half the first step."""

        def slopes(time_s: float, state: np.ndarray) -> list[float]:
            held, across = state
            offered = source_v(time_s) - across
            current = self.current_a(offered - held)
            leak = (offered - held) / self.leak_ohm
            moved = 0.0
            if self.coupling_farad is not None:
                moved = (offered / self.return_ohm + current) / self.coupling_farad
            return [(current + leak - held / self.release_ohm) / self.hold_farad, moved]

        solution = solve_ivp(
            slopes,
            (0.0, float(times_s[-1])),
            [0.0, 0.0],
            method="LSODA",
            t_eval=times_s,
            rtol=tolerance,
            atol=tolerance * 1e-2,
            max_step=longest_step_s,
        )
        assert solution.success
        return solution.y[0]
