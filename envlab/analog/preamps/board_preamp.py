"""The preamp as it is soldered: slew rate, bias current, capacitors that remember overload.

Per stage, volts round bias, x the voltage before the input capacitor:

    C_in·dv_in/dt = (x − v_in)/R_in + i_bias,            v₊ = x − v_in,
    C_g·dv_g/dt = (out − v_g)/(R_f + R_g),               v₋ = v_g + (out − v_g)/gain,
    dout/dt = 2π·GBW·(v₊ + offset − v₋), at most the slew rate, out within the swing.

Nothing in it asks whether the output clips: the ground leg's capacitor is charged by the output as it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from envlab.analog.preamps.preamp import Preamp
from envlab.analog.sample_checks import sample_row
from envlab.analog.stage import Advanced, AnalogStage, Surroundings, part, parts_of
from envlab.errors import ParameterError, check_positive, check_range
from envlab.units import FloatArray

_BOLTZMANN_J_PER_K = 1.380649e-23
_ROOM_K = 300.0


@dataclass(frozen=True)
class BoardPreamp(Preamp):
    """A Preamp with what else its amplifiers and parts do.

    Parameters
    ----------
    second_feedback_ohm : float or None
        Of a second stage like the first; None: there is none.
    second_ground_ohm : float
        Its gain is 1 + second_feedback_ohm/second_ground_ohm.
    second_ground_farad : float or None
        Capacitor in its ground leg; None: straight to bias.
    second_coupling_farad, second_input_ohm : float
        Its input capacitor and bias resistance.
    slew_v_per_s : float
        Of each amplifier; 0.5e6 is 0.5 V/µs.
    input_bias_a : float
        Current into each positive input, which drops over input_ohm.
    leg_foot_v : float or None
        Where the ground leg ends, V against ground; None: at the bias.
    """

    second_feedback_ohm: float | None = field(
        default=None, metadata=part("R10", 1, "sets the second stage's gain", "1 + R10/R9", place=14)
    )
    second_ground_ohm: float = field(
        default=1e3, metadata=part("R9", 1, "sets the second stage's gain", "with R10", place=13)
    )
    second_ground_farad: float | None = field(
        default=10e-6, metadata=part("C5", 20, "keeps the second stage's gain at 1 at rest", place=15)
    )
    second_coupling_farad: float = field(
        default=1e-6, metadata=part("C4", 10, "couples the second stage to the first", place=11)
    )
    second_input_ohm: float = field(
        default=100e3,
        metadata=part("R8", 5, "ties the second stage's input to the bias voltage", bought=False, place=12),
    )
    slew_v_per_s: float = 5e6
    input_bias_a: float = 0.0
    leg_foot_v: float | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        for name in ("second_feedback_ohm", "second_ground_ohm", "second_input_ohm"):
            if getattr(self, name) is not None:
                check_range(name, getattr(self, name), 1, 100e6, unit="ohm")
        for name in ("second_ground_farad", "second_coupling_farad"):
            if getattr(self, name) is not None:
                check_range(name, getattr(self, name), 1e-12, 1, unit="F")
        check_range("slew_v_per_s", self.slew_v_per_s, 1, 1e12, unit="V/s")
        check_range("input_bias_a", self.input_bias_a, -1e-3, 1e-3, unit="A")
        if self.leg_foot_v is not None:
            check_range("leg_foot_v", self.leg_foot_v, 0, self.supply_v, unit="V")
            if self.ground_farad is None and self.leg_foot_v != self.bias_v:
                limit = f"bias_v ({self.bias_v:g} V), as the leg has no capacitor to keep the two apart"
                raise ParameterError("leg_foot_v", self.leg_foot_v, limit)
        drop_v = abs(self.input_bias_a) * max(self.input_ohm, self.second_input_ohm)
        if drop_v >= min(self.swing_up_v, self.swing_down_v):
            limit = f"such that its drop over input_ohm ({drop_v:.3g} V) leaves the output a swing"
            raise ParameterError("input_bias_a", self.input_bias_a, limit)

    @property
    def absent_parts(self) -> tuple[str, ...]:
        """Fields of the second stage, where there is none."""
        if self.second_feedback_ohm is not None:
            return ()
        return tuple(name for name in parts_of(type(self)) if name.startswith("second_"))

    @property
    def stages(self) -> tuple[Preamp, ...]:
        """First and, if there is one, second stage as a Preamp each."""
        return _stages_of(self)

    @property
    def gain(self) -> float:
        """Ratio of output to input: product of the stages' 1 + feedback_ohm/ground_ohm."""
        return math.prod(1 + stage.feedback_ohm / stage.ground_ohm for stage in self.stages)

    @property
    def bandwidth_hz(self) -> float:
        """Of the slower stage."""
        return min(stage.bandwidth_hz for stage in self.stages)

    @property
    def poles_hz(self) -> tuple[float, ...]:
        """Of each stage."""
        return tuple(stage.bandwidth_hz for stage in self.stages)

    @property
    def output_offset_v(self) -> float:
        """Resting error at the output: offset and the bias current's drop, of the last stage if coupled."""
        last = self.stages[-1]
        at_rest = last.gain if last.ground_farad is None else 1.0
        return at_rest * (self.input_offset_v - self.input_bias_a * last.input_ohm)

    @property
    def noise_density_v_per_rthz(self) -> float:
        """Amplifier and ground_ohm together, at 300 K: √(e² + 4kT·R). The feedback resistor adds less."""
        resistor = 4 * _BOLTZMANN_J_PER_K * _ROOM_K * self.ground_ohm
        return math.sqrt(self.noise_v_per_rthz**2 + resistor)

    def response(self, frequency_hz: float) -> complex:
        """Output over input at a frequency, H(jω), of the equations above without limits."""
        product: complex = 1.0
        for stage in self.stages:
            product *= _loop_response(stage, frequency_hz)
        return product

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return one block of the output, V round bias_v; limited where the last stage is.

        signal: shape (n,), V of the microphone.
        """
        preamp_v, clipped, end = amplify_board(
            signal, self, sample_rate_hz=around.sample_rate_hz, state=state
        )
        return Advanced(preamp_v, end, self.where_limited(preamp_v, clipped))

    def roughly(self, sample_rate_hz: float) -> tuple[AnalogStage, ...]:
        """Plain stages: at such a rate an amplifier's own speed means nothing, its gain and its limits do."""
        del sample_rate_hz
        return self.stages


# Asked for by every block.
@lru_cache(maxsize=4096)
def _stages_of(preamp: BoardPreamp) -> tuple[Preamp, ...]:
    def stage(feedback: float, ground: float, leg: float | None, coupling: float, resistor: float) -> Preamp:
        return Preamp(
            feedback,
            ground,
            leg,
            coupling,
            resistor,
            preamp.gain_bandwidth_hz,
            preamp.supply_v,
            preamp.bias_v,
            preamp.swing_margin_v,
            preamp.input_offset_v,
            preamp.noise_v_per_rthz,
        )

    first = stage(
        preamp.feedback_ohm, preamp.ground_ohm, preamp.ground_farad, preamp.coupling_farad, preamp.input_ohm
    )
    if preamp.second_feedback_ohm is None:
        return (first,)
    second = stage(
        preamp.second_feedback_ohm,
        preamp.second_ground_ohm,
        preamp.second_ground_farad,
        preamp.second_coupling_farad,
        preamp.second_input_ohm,
    )
    return first, second


def _loop_response(stage: Preamp, frequency_hz: float) -> complex:
    s = 2j * math.pi * frequency_hz
    coupling = s / (2 * math.pi * stage.coupling_corner_hz + s)
    leg_share: complex = 0.0
    if stage.ground_farad is not None:
        leg_share = 1 / (1 + s * stage.gain * stage.ground_ohm * stage.ground_farad)
    fed_back = leg_share + (1 - leg_share) / stage.gain
    open_loop = 2 * math.pi * stage.gain_bandwidth_hz / s
    return coupling * open_loop / (1 + open_loop * fed_back)


@dataclass(frozen=True)
class BoardState:
    """stages: a row each, V: input capacitor, leg capacitor, output, its rise in half a step, last inputs."""

    stages: tuple[tuple[float, ...], ...] = ()


def settled_state(preamp: BoardPreamp) -> BoardState:
    """Return the state long after power-up, without a signal."""
    rows: list[tuple[float, ...]] = []
    for stage in preamp.stages:
        across = preamp.input_bias_a * stage.input_ohm
        out = (preamp.input_offset_v - across) * (stage.gain if stage.ground_farad is None else 1.0)
        rows.append((across, out if stage.ground_farad is not None else 0.0, out, 0.0, 0.0, 0.0))
    return _second_at_rest(rows)


def power_up_state(preamp: BoardPreamp, microphone_quiescent_v: float = 0.0) -> BoardState:
    """Return the state at the moment at which the supply comes up: every capacitor is empty.

    microphone_quiescent_v: where the microphone's output then stands, V against ground. With an empty input
    capacitor the input starts there; with the leg's foot at ground its capacitor has the bias still to take.
    """
    foot = preamp.bias_v if preamp.leg_foot_v is None else preamp.leg_foot_v
    rows, source_v = [], microphone_quiescent_v
    for stage in preamp.stages:
        leg = 0.0 if stage.ground_farad is None else foot - preamp.bias_v
        rows.append((preamp.bias_v - source_v, leg, 0.0, 0.0, 0.0, 0.0))
        source_v = preamp.bias_v
    return BoardState(tuple(rows))


def _second_at_rest(rows: list[tuple[float, ...]]) -> BoardState:
    if len(rows) == 2:
        across, *rest = rows[1]
        out = rows[0][2]
        rows[1] = (across + out, rest[0], rest[1], rest[2], out, out)
    return BoardState(tuple(rows))


def amplify_board(
    microphone_v: FloatArray, preamp: BoardPreamp, *, sample_rate_hz: float, state: BoardState | None = None
) -> tuple[FloatArray, int, BoardState]:
    """Return (preamp_v, samples at an output limit of the last stage, end state).

    microphone_v: shape (n,), V, without its resting voltage. preamp_v: shape (n,), V round bias. Without a
    state it begins settled.
    """
    from envlab.analog.kernels import board_kernels
    from envlab.analog.sections import half_step

    volts, clipped = sample_row("microphone_v", microphone_v), 0
    ends = []
    for stage, row in zip(preamp.stages, (state or settled_state(preamp)).stages, strict=True):
        leg = stage.ground_farad
        volts, end, clipped = board_kernels.amplify_stage(
            volts,
            math.pi * stage.coupling_corner_hz / sample_rate_hz,
            0.0 if leg is None else 0.5 / (stage.gain * stage.ground_ohm * leg * sample_rate_hz),
            half_step(2 * math.pi * stage.bandwidth_hz, sample_rate_hz),
            stage.gain,
            preamp.input_bias_a * stage.input_ohm,
            preamp.input_offset_v,
            preamp.slew_v_per_s / sample_rate_hz,
            -stage.swing_down_v,
            stage.swing_up_v,
            np.array(row),
        )
        ends.append(tuple(float(value) for value in end))
    return volts, int(clipped), BoardState(tuple(ends))


def settling_s(
    preamp: BoardPreamp,
    within_v: float,
    *,
    microphone_quiescent_v: float = 0.0,
    sample_rate_hz: float = 48e3,
    most_s: float = 60.0,
) -> float:
    """Return how long after power-up the output stays within within_v of rest; inf if later than most_s."""
    check_positive("within_v", within_v, unit="V")
    quiescent_v = preamp.output_offset_v
    state, last, block = power_up_state(preamp, microphone_quiescent_v), -1, round(sample_rate_hz)
    for second in range(math.ceil(most_s)):
        out_v, _, state = amplify_board(np.zeros(block), preamp, sample_rate_hz=sample_rate_hz, state=state)
        away = np.flatnonzero(np.abs(out_v - quiescent_v) > within_v)
        if away.size:
            last = second * block + int(away[-1])
    settled = (last + 1) / sample_rate_hz
    return settled if settled < math.ceil(most_s) else math.inf
