"""Attack resistor, diode and what leaks beside it, node by node, solved without the package under test.

Nodes: the source (behind its coupling capacitor, if there is one), the diode's anode, the hold capacitor. At
the anode Kirchhoff's current law says that what comes through the attack resistor goes on through the diode
and through the leakage resistor that lies across the diode and its own resistance; brentq finds the voltage
there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.constants import Boltzmann, elementary_charge
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

KELVIN = 298.15


@dataclass(frozen=True)
class LeakyDiode:
    """Parts in SI; coupling_farad None: the source drives the attack resistor."""

    attack_ohm: float
    hold_farad: float
    release_ohm: float
    saturation_a: float
    emission: float
    series_ohm: float
    leak_ohm: float
    coupling_farad: float | None = None
    return_ohm: float = math.inf

    def through_diode_a(self, share: float) -> tuple[float, float]:
        """(current of the junction, volts across junction and series resistance); share: ln(1 + i/Is)."""
        slope_v = self.emission * Boltzmann * KELVIN / elementary_charge
        current = self.saturation_a * math.expm1(share)
        return current, slope_v * share + self.series_ohm * current

    def current_a(self, volts: float) -> float:
        """From a source node to the hold capacitor, volts between the two."""

        def surplus(share: float) -> float:
            junction_a, across_v = self.through_diode_a(share)
            return across_v + self.attack_ohm * (junction_a + across_v / self.leak_ohm) - volts

        slope_v = self.emission * Boltzmann * KELVIN / elementary_charge
        low, high = min(volts, 0.0) / slope_v - 1.0, 1e-9
        if volts > 0:
            high = math.log1p(volts / (self.attack_ohm + self.series_ohm) / self.saturation_a) + 1e-9
        junction_a, across_v = self.through_diode_a(brentq(surplus, low, high, xtol=1e-14, rtol=1e-14))
        return junction_a + across_v / self.leak_ohm

    def slopes(self, source_v: float, held_v: float, across_v: float) -> list[float]:
        """d/dt of hold and coupling capacitor."""
        node_v = source_v - across_v
        current_a = self.current_a(node_v - held_v)
        rise = (current_a - held_v / self.release_ohm) / self.hold_farad
        if self.coupling_farad is None:
            return [rise, 0.0]
        return [rise, (node_v / self.return_ohm + current_a) / self.coupling_farad]

    def held_v(
        self, source_v: Callable[[float], float], times_s: np.ndarray, longest_step_s: float
    ) -> np.ndarray:
        """Volts on the hold capacitor at rising times, all capacitors empty at 0."""
        solution = solve_ivp(
            lambda t, y: self.slopes(source_v(t), y[0], y[1]),
            (0.0, float(times_s[-1])),
            [0.0, 0.0],
            method="LSODA",
            t_eval=times_s,
            rtol=1e-9,
            atol=1e-11,
            max_step=longest_step_s,
        )
        assert solution.success
        return solution.y[0]
