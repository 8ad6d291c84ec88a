"""Electret capsule: a transistor's drain, a load resistor, a supply; the operating point decides the rest.

The drain draws its current through the load and stands at supply − current·load. The signal current makes
its voltage over the load, so that gain grows with the load until the drain has no voltage left to work with.
What the capsule hears has passed its corners by then: the drain's limits act behind them. The amplifier's
input hangs on the drain: behind its capacitor Cp the resistor Rp, so that of the voltage v without it

    d = (Rp·v + Rd·v_c)/(Rp + Rd),    Rp·Cp·dv_c/dt = d − v_c,

Rd being output_ohm, v_c on Cp. The transistor's current cannot turn round, so v ends where it is 0; nor can
it draw the drain, load and all, below drain_least_v.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from envlab.analog.microphone import Microphone, MicrophoneState, hear, overloaded_if_any
from envlab.analog.stage import Advanced, AnalogStage, InputLoad, Surroundings, either_of, part
from envlab.errors import ParameterError, check_range
from envlab.units import FloatArray, from_db


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
        default=2.2e3, metadata=part("R7", 1, "feeds the electret", "its gain goes with it")
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
    def loudest_pa(self) -> tuple[float, float]:
        """Of capsule and drain the narrower, each way, without a load."""
        down_v, up_v = self.headroom_v
        low_pa, high_pa = -down_v / self.sensitivity_v_pa, up_v / self.sensitivity_v_pa
        return max(-self.overload_pa, low_pa), min(self.overload_pa, high_pa)

    def loaded_by(self, load: InputLoad) -> AnalogStage:
        """Return the electret with an amplifier's input on its drain."""
        return LoadedElectret(self, load)

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return one block of volts at the drain, without a load; limited where capsule or drain is.

        signal: shape (n,), pressure, Pa.
        """
        return _at_drain(signal, self, None, around, state)

    @property
    def overload_by_drain_db_spl(self) -> float:
        """Level of a sine, dB SPL, whose peak the drain just follows."""
        peak_pa = min(self.headroom_v) / self.sensitivity_v_pa
        return 20 * math.log10(peak_pa / (math.sqrt(2) * 20e-6))


@dataclass(frozen=True)
class LoadedElectret(AnalogStage):
    """An electret with the input of an amplifier on its drain.

    Parameters
    ----------
    electret : Electret
        What hears.
    load : InputLoad
        What hangs on its drain.
    """

    electret: Electret
    load: InputLoad

    def response(self, frequency_hz: float) -> complex:
        """Volts at the loaded drain per pascal in the air, H(jω)."""
        s = 2j * math.pi * frequency_hz * self.load.farad
        drawn = (1 + s * self.load.ohm) / (1 + s * (self.load.ohm + self.electret.output_ohm))
        return drawn * self.electret.response(frequency_hz)

    def advance(self, signal: FloatArray, around: Surroundings, state: ElectretState | None) -> Advanced:
        """Return one block of volts at the drain; limited where capsule or drain is.

        signal: shape (n,), pressure, Pa.
        """
        return _at_drain(signal, self.electret, self.load, around, state)


@dataclass(frozen=True)
class ElectretState:
    """capsule: its corners. coupled_v, drain_v: on the amplifier's input capacitor, at the drain last, V."""

    capsule: MicrophoneState | None = None
    coupled_v: float = 0.0
    drain_v: float = 0.0


def _at_drain(
    pressure_pa: FloatArray,
    electret: Electret,
    load: InputLoad | None,
    around: Surroundings,
    state: ElectretState | None,
) -> Advanced:
    from envlab.analog.kernels import front_kernels

    state = state or ElectretState()
    open_v, capsule = hear(pressure_pa, electret, sample_rate_hz=around.sample_rate_hz, state=state.capsule)
    down_v, up_v = electret.headroom_v
    share, q = 1.0, 0.0
    if load is not None:
        share = load.ohm / (load.ohm + electret.output_ohm)
        q = 0.5 / (load.ohm * load.farad * around.sample_rate_hz)
    drain_v, end = front_kernels.drain(
        open_v, (-down_v, up_v), share, q, np.array((state.coupled_v, state.drain_v))
    )
    limited = overloaded_if_any(pressure_pa, electret)
    if open_v.size and (open_v.max() >= up_v or drain_v.min() <= -down_v):
        limited = either_of(limited, np.asarray((open_v >= up_v) | (drain_v <= -down_v)))
    return Advanced(drain_v, ElectretState(capsule, float(end[0]), float(end[1])), limited)


def _beside(one_ohm: float, other_ohm: float) -> float:
    return one_ohm * other_ohm / (one_ohm + other_ohm)
