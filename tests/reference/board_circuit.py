"""A whole board in continuous time: microphone, amplifier as soldered, diode and hold capacitor together.

One state per capacitor and per amplifier output, nothing from the package under test. The diode's current is
a Wright omega function (scipy's), which diode_circuit.py checks by root finding. Parts are SI numbers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from reference.circuit import Average, Formula, Peak, Wave, rectified
from scipy.constants import Boltzmann, elementary_charge
from scipy.integrate import solve_ivp
from scipy.special import wrightomega

TOLERANCE = 1e-8
# A diode conducts for a small part of a cycle and an amplifier reaches its rail within one; a solver that
# looks at the ends of its steps would pass over both, so no step is longer than this part of the quickest
# cycle.
STEPS_PER_CYCLE = 32
# How far a rail gives way until it stops an amplifier altogether: an edge would leave an implicit solver
# without an answer. Nothing beyond the rail is passed on.
RAIL_V = 2e-5


class Front(Protocol):
    """From pressure to the amplifier's output round bias."""

    def at_rest(self) -> list[float]: ...
    def slopes(self, pressure_pa: float, state: Sequence[float]) -> list[float]: ...
    def output_v(self, state: Sequence[float]) -> float: ...


@dataclass(frozen=True)
class Stage:
    """Non-inverting amplifier: C and R at its input, R_f from the output, R_g and C_g from there to bias.

    leg_farad None: R_g goes straight to bias. The output is an integrator that slews and has rails.
    """

    coupling_farad: float
    input_ohm: float
    feedback_ohm: float
    ground_ohm: float
    leg_farad: float | None
    gain_bandwidth_hz: float
    slew_v_per_s: float
    offset_v: float
    bias_a: float
    low_v: float
    high_v: float

    def at_rest(self, source_v: float) -> list[float]:
        """(input capacitor, leg capacitor, output) when nothing moves any more, source_v before it."""
        plus_v = -self.bias_a * self.input_ohm
        out_v = plus_v + self.offset_v
        if self.leg_farad is None:
            return [source_v - plus_v, 0.0, out_v * (1 + self.feedback_ohm / self.ground_ohm)]
        return [source_v - plus_v, out_v, out_v]

    def within(self, out_v: float) -> float:
        """The output without what a rail gives way."""
        return min(max(out_v, self.low_v), self.high_v)

    def slopes(self, source_v: float, across_v: float, leg_v: float, out_v: float) -> list[float]:
        """d/dt of the three, by Kirchhoff's current law at both inputs of the amplifier."""
        plus_v = source_v - across_v
        into_leg_a = (self.within(out_v) - leg_v) / (self.feedback_ohm + self.ground_ohm)
        minus_v = leg_v + into_leg_a * self.ground_ohm
        move = 2 * math.pi * self.gain_bandwidth_hz * (plus_v + self.offset_v - minus_v)
        move = min(max(move, -self.slew_v_per_s), self.slew_v_per_s)
        beyond_v = out_v - self.high_v if move > 0 else self.low_v - out_v
        if beyond_v > 0:
            move *= max(0.0, 1 - beyond_v / RAIL_V)
        return [
            (plus_v / self.input_ohm + self.bias_a) / self.coupling_farad,
            0.0 if self.leg_farad is None else into_leg_a / self.leg_farad,
            move,
        ]


@dataclass(frozen=True)
class SolderedFront:
    """Microphone by its corners, then one or two stages."""

    sensitivity_v_pa: float
    overload_pa: float
    low_hz: float
    high_hz: float
    stages: tuple[Stage, ...]

    def at_rest(self) -> list[float]:
        """Long after power-up, in silence."""
        state, source_v = [0.0, 0.0], 0.0
        for stage in self.stages:
            state += stage.at_rest(source_v)
            source_v = state[-1]
        return state

    def slopes(self, pressure_pa: float, state: Sequence[float]) -> list[float]:
        """d/dt of the microphone's two corners, then of three values a stage."""
        low, high = state[0], state[1]
        felt = self.sensitivity_v_pa * min(max(pressure_pa, -self.overload_pa), self.overload_pa)
        out = [2 * math.pi * self.low_hz * (felt - low), 2 * math.pi * self.high_hz * (felt - low - high)]
        source_v = high
        for i, stage in enumerate(self.stages):
            across_v, leg_v, out_v = state[2 + 3 * i : 5 + 3 * i]
            out += stage.slopes(source_v, across_v, leg_v, out_v)
            source_v = stage.within(out_v)
        return out

    def output_v(self, state: Sequence[float]) -> float:
        """Of the last stage."""
        return self.stages[-1].within(state[1 + 3 * len(self.stages)])


@dataclass(frozen=True)
class DiodeHold:
    """[coupling_farad, return_ohm to the foot] → diode and R → hold_farad ∥ release_ohm."""

    saturation_a: float
    emission: float
    kelvin: float
    resistance_ohm: float
    hold_farad: float
    release_ohm: float
    leak_ohm: float
    full_wave: bool
    coupling_farad: float | None = None
    return_ohm: float = math.inf

    def current_a(self, volts: float) -> float:
        """y + ln y = (u + R·Is)/s + ln(R·Is/s) with y = R·(i + Is)/s and s = n·kT/q."""
        slope_v = self.emission * Boltzmann * self.kelvin / elementary_charge
        knee = self.resistance_ohm * self.saturation_a / slope_v
        y = float(wrightomega(volts / slope_v + knee + math.log(knee)))
        return slope_v * y / self.resistance_ohm - self.saturation_a

    def slopes(self, signal_v: float, held_v: float, across_v: float) -> tuple[float, float]:
        """d/dt of hold and coupling capacitor."""
        offered_v = (abs(signal_v) if self.full_wave else signal_v) - across_v
        current_a = self.current_a(offered_v - held_v)
        leak_a = (offered_v - held_v) / self.leak_ohm
        rise = (current_a + leak_a - held_v / self.release_ohm) / self.hold_farad
        if self.coupling_farad is None:
            return rise, 0.0
        return rise, (offered_v / self.return_ohm + current_a + leak_a) / self.coupling_farad


@dataclass(frozen=True)
class IdealHold:
    """A precision rectifier before a detector of circuit.py."""

    detector: Peak | Average
    full_wave: bool

    def slopes(self, signal_v: float, held_v: float, across_v: float) -> tuple[float, float]:  # noqa: ARG002
        """d/dt of the hold capacitor."""
        return self.detector.slope(rectified(signal_v, full_wave=self.full_wave), held_v), 0.0


def board_volts(
    wave: Wave | Formula,
    front: Front,
    holds: Sequence[DiodeHold | IdealHold],
    times_s: np.ndarray,
    *,
    start_s: float = 0.0,
    tolerance: float = TOLERANCE,
    steps_per_cycle: int = STEPS_PER_CYCLE,
) -> np.ndarray:
    """Volts above the foot on each hold capacitor (rows) at rising times; the wave is in Pa.

    The front is at rest at start_s, which may lie up to a sample before 0; hold capacitors are empty.
    """
    rest = front.at_rest()
    many = len(rest)

    def slopes(time_s: float, state: np.ndarray) -> list[float]:
        values = state.tolist()
        out = front.slopes(wave.at(time_s), values)
        signal_v = front.output_v(values)
        for i, hold in enumerate(holds):
            at = many + 2 * i
            out += hold.slopes(signal_v, values[at], values[at + 1])
        return out

    solution = solve_ivp(
        slopes,
        (start_s, wave.duration_s),
        rest + [0.0] * (2 * len(holds)),
        method="LSODA",
        t_eval=times_s,
        rtol=tolerance,
        # microphone and input capacitors carry millivolts, everything else volts
        atol=tolerance * np.array([1e-3] * 3 + [0.1] * (many - 3 + 2 * len(holds))),
        max_step=1 / (steps_per_cycle * wave.quickest_hz),
    )
    if not solution.success:
        raise RuntimeError(solution.message)
    return solution.y[many::2]
