"""Electret capsule: a transistor's drain, a load resistor, a supply; the operating point decides the rest.

The drain draws its current through the load and stands at supply − current·load. The signal current makes
its voltage over the load, so that gain grows with the load until the drain has no voltage left to work with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from envlab.analog.microphone import Microphone
from envlab.analog.stage import part
from envlab.errors import ParameterError, check_range
from envlab.units import from_db


@dataclass(frozen=True)
class Electret(Microphone):
    """A two-wire electret with its load resistor. sensitivity_dbv_pa is stated at rated_load_ohm.

    Parameters
    ----------
    load_ohm, rated_load_ohm : float
        100 Ω to 1 MΩ.
    drain_current_a : float
        1 µA to 5 mA.
    supply_v : float
        0.8 to 30 V.
    drain_least_v : float
        Under which the transistor stops working as such, 0 to 5 V.
    drain_ohm : float
        Its own output resistance, beside the load, 1 kΩ and more. (0.3 mA, 0.8 V and 50 kΩ are typical, from
        memory.)
    """

    load_ohm: float = field(
        default=2.2e3, metadata=part("R7", 1, "feeds the electret", "and loads it: its gain")
    )
    rated_load_ohm: float = 2.2e3
    drain_current_a: float = 0.3e-3
    supply_v: float = 3.3
    drain_least_v: float = 0.8
    drain_ohm: float = 50e3

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range("load_ohm", self.load_ohm, 100, 1e6, unit="ohm")
        check_range("rated_load_ohm", self.rated_load_ohm, 100, 1e6, unit="ohm")
        check_range("drain_current_a", self.drain_current_a, 1e-6, 5e-3, unit="A")
        check_range("supply_v", self.supply_v, 0.8, 30, unit="V")
        check_range("drain_least_v", self.drain_least_v, 0, 5, unit="V")
        check_range("drain_ohm", self.drain_ohm, 1e3, 1e9, unit="ohm")
        if self.drain_v <= self.drain_least_v:
            most_ohm = (self.supply_v - self.drain_least_v) / self.drain_current_a
            raise ParameterError(
                "load_ohm",
                self.load_ohm,
                f"under {most_ohm:.4g} ohm: at {1e3 * self.drain_current_a:g} mA from {self.supply_v:g} V it"
                f" starves the drain, which is left {self.drain_v:.2f} V and needs {self.drain_least_v:g} V",
            )

    @property
    def drain_v(self) -> float:
        """Where the drain rests, V against ground: supply_v − drain_current_a·load_ohm."""
        return self.supply_v - self.drain_current_a * self.load_ohm

    @property
    def output_ohm(self) -> float:
        """load_ohm ∥ drain_ohm."""
        return _beside(self.load_ohm, self.drain_ohm)

    @property
    def sensitivity_v_pa(self) -> float:
        """Volts per pascal at this load."""
        rated = _beside(self.rated_load_ohm, self.drain_ohm)
        return from_db(self.sensitivity_dbv_pa) * self.output_ohm / rated

    @property
    def headroom_v(self) -> tuple[float, float]:
        """How far the drain goes down (to drain_least_v) and up (to the supply), V."""
        return self.drain_v - self.drain_least_v, self.supply_v - self.drain_v

    @property
    def limits_pa(self) -> tuple[float, float]:
        """Of capsule and drain the narrower, each way."""
        down_v, up_v = self.headroom_v
        low_pa, high_pa = -down_v / self.sensitivity_v_pa, up_v / self.sensitivity_v_pa
        return max(-self.overload_pa, low_pa), min(self.overload_pa, high_pa)

    @property
    def overload_by_drain_db_spl(self) -> float:
        """Level of a sine, dB SPL, whose peak the drain just follows."""
        peak_pa = min(self.headroom_v) / self.sensitivity_v_pa
        return 20 * math.log10(peak_pa / (math.sqrt(2) * 20e-6))


def _beside(one_ohm: float, other_ohm: float) -> float:
    return one_ohm * other_ohm / (one_ohm + other_ohm)
