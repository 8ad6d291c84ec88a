"""Preamp: one non-inverting stage on a single supply, biased to the middle."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from envlab.analog import sections
from envlab.analog.sample_checks import sample_row
from envlab.analog.stage import Advanced, AnalogStage, InputLoad, Surroundings, part
from envlab.errors import ParameterError, check_range
from envlab.units import BoolArray, FloatArray

# Noise above is not followed by what stands behind, whose amplifiers have some MHz at best (common practice,
# no source).
NOISE_TO_HZ = 1e6


@dataclass(frozen=True)
class Preamp(AnalogStage):
    """Non-inverting amplifier, gain 1 + feedback_ohm/ground_ohm.

    Parameters
    ----------
    feedback_ohm, ground_ohm : float
        The gain resistors, 1 Ω to 100 MΩ.
    ground_farad : float or None
        Capacitor in the ground leg; with it the gain at rest is 1. None: straight to bias.
    coupling_farad, input_ohm : float
        Input capacitor and the bias resistance that it works against.
    gain_bandwidth_hz : float
        Of the amplifier, 1 kHz to 1 THz; its bandwidth is this over the gain.
    supply_v, bias_v, swing_margin_v : float
        The output reaches swing_margin_v from each rail, round bias_v.
    input_offset_v : float
        Referred to the input; V.
    noise_v_per_rthz : float
        Input noise density, V/√Hz.
    """

    feedback_ohm: float = field(default=47e3, metadata=part("R3", 1, "sets the gain", "1 + R3/R2", place=4))
    ground_ohm: float = field(default=1e3, metadata=part("R2", 1, "sets the gain", "with R3", place=3))
    ground_farad: float | None = field(
        default=10e-6, metadata=part("C2", 20, "keeps the gain at 1 for the resting voltage", place=5)
    )
    coupling_farad: float = field(
        default=1e-6, metadata=part("C1", 10, "couples the microphone to the preamp", place=1)
    )
    input_ohm: float = field(
        default=100e3,
        metadata=part("R1", 5, "ties the preamp's input to the bias voltage", bought=False, place=2),
    )
    gain_bandwidth_hz: float = 10e6
    supply_v: float = 3.3
    bias_v: float = 1.65
    swing_margin_v: float = 0.05
    input_offset_v: float = 0.5e-3
    noise_v_per_rthz: float = 10e-9

    def __post_init__(self) -> None:
        for name in ("feedback_ohm", "ground_ohm", "input_ohm"):
            check_range(name, getattr(self, name), 1, 100e6, unit="ohm")
        check_range("coupling_farad", self.coupling_farad, 1e-12, 1, unit="F")
        if self.ground_farad is not None:
            check_range("ground_farad", self.ground_farad, 1e-12, 1, unit="F")
        check_range("gain_bandwidth_hz", self.gain_bandwidth_hz, 1e3, 1e12, unit="Hz")
        check_range("supply_v", self.supply_v, 0.5, 60, unit="V")
        check_range("swing_margin_v", self.swing_margin_v, 0, unit="V")
        check_range("input_offset_v", self.input_offset_v, -0.1, 0.1, unit="V")
        check_range("noise_v_per_rthz", self.noise_v_per_rthz, 0, 1e-3, unit="V/√Hz")
        check_range("bias_v", self.bias_v, 0, self.supply_v, unit="V")
        if self.swing_up_v <= 0 or self.swing_down_v <= 0:
            raise ParameterError(
                "bias_v",
                self.bias_v,
                f"more than swing_margin_v ({self.swing_margin_v:g} V) from both 0 and supply_v "
                f"({self.supply_v:g} V); nothing is left to swing",
            )

    @property
    def gain(self) -> float:
        """Ratio of output to input, 1 + feedback_ohm/ground_ohm."""
        return 1 + self.feedback_ohm / self.ground_ohm

    @property
    def bandwidth_hz(self) -> float:
        """Gain-bandwidth product over gain."""
        return self.gain_bandwidth_hz / self.gain

    @property
    def poles_hz(self) -> tuple[float, ...]:
        """Bandwidth of each amplifier in the way, one or two."""
        return (self.bandwidth_hz,)

    @property
    def coupling_corner_hz(self) -> float:
        """1/(2π·input_ohm·coupling_farad)."""
        return 1 / (2 * math.pi * self.input_ohm * self.coupling_farad)

    @property
    def ground_corner_hz(self) -> float:
        """1/(2π·ground_ohm·ground_farad); 0 without the capacitor."""
        return 0.0 if self.ground_farad is None else 1 / (2 * math.pi * self.ground_ohm * self.ground_farad)

    @property
    def swing_up_v(self) -> float:
        """How far the output goes above bias_v."""
        return self.supply_v - self.swing_margin_v - self.bias_v

    @property
    def swing_down_v(self) -> float:
        """How far the output goes below bias_v."""
        return self.bias_v - self.swing_margin_v

    @property
    def output_offset_v(self) -> float:
        """Resting error at the output: the input offset times the gain at rest."""
        return self.input_offset_v * (self.gain if self.ground_farad is None else 1.0)

    @property
    def noise_density_v_per_rthz(self) -> float:
        """Noise that the input seems to have, V/√Hz."""
        return self.noise_v_per_rthz

    def response(self, frequency_hz: float) -> complex:
        """Output over input at a frequency, H(jω), without clipping."""
        f, loop = 1j * frequency_hz, closed_loop(self)
        coupling = f / (self.coupling_corner_hz + f)
        leg = (loop.gain * f + loop.leg_hz) / (f + loop.leg_hz)
        return coupling * leg / (1 + f / loop.bandwidth_hz)

    @property
    def input_load(self) -> InputLoad:
        """input_ohm behind coupling_farad."""
        return InputLoad(self.input_ohm, self.coupling_farad)

    def surroundings_behind(self, around: Surroundings) -> Surroundings:
        """What follows rests at this bias, but for the offset, and swings as far as this output."""
        return replace(
            around,
            bias_v=self.bias_v,
            low_v=-self.swing_down_v,
            high_v=self.swing_up_v,
            resting_v=min(max(self.output_offset_v, -self.swing_down_v), self.swing_up_v),
            supply_v=self.supply_v,
        )

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return one block of the output, V round bias_v; limited where it is at the end of its swing.

        signal: shape (n,), V of the microphone.
        """
        done = amplify(signal, self, sample_rate_hz=around.sample_rate_hz, state=state)
        return Advanced(done.preamp_v, done.end, self.where_limited(done.preamp_v, done.clipped))

    def with_noise(self, signal: FloatArray, white: FloatArray, sample_rate_hz: float) -> FloatArray:
        """Return the input with the amplifier's own noise, V.

        signal: shape (n,), V. white: shape (n + 1,), normal numbers of variance 1, as input_noise_v takes.
        """
        return signal + input_noise_v(self, white, sample_rate_hz)

    def where_limited(self, preamp_v: FloatArray, clipped: int) -> BoolArray | None:
        """Return at which samples, shape (n,), the output is at its limit; None for none of them."""
        if not clipped:
            return None
        return np.asarray((preamp_v >= self.swing_up_v) | (preamp_v <= -self.swing_down_v))


class ClosedLoop(NamedTuple):
    """(gain·s + ω_leg)/(s + ω_leg) and a low pass at bandwidth_hz, which together are the loop's response."""

    gain: float
    leg_hz: float
    bandwidth_hz: float


@lru_cache(maxsize=4096)
def closed_loop(preamp: Preamp) -> ClosedLoop:
    """Return the corners of the closed loop, which pull each other a little.

    Amplifier ω_t/s, and from the output back to the input (1 + s·R_g·C_g)/(1 + s·gain·R_g·C_g): the poles are
    the roots of s² + s·(ω_leg/gain + ω_b) + ω_leg·ω_b with ω_b = ω_t/gain. Where the leg's corner comes so
    near to the bandwidth that they are no longer real, the two are taken as they are.
    """
    gain, leg_hz, bandwidth_hz = preamp.gain, preamp.ground_corner_hz, preamp.bandwidth_hz
    half_sum = 0.5 * (leg_hz / gain + bandwidth_hz)
    root = half_sum**2 - leg_hz * bandwidth_hz
    if root < 0:
        return ClosedLoop(gain, leg_hz, bandwidth_hz)
    fast_hz = half_sum + math.sqrt(root)
    return ClosedLoop(gain * bandwidth_hz / fast_hz, leg_hz * bandwidth_hz / fast_hz, fast_hz)


@dataclass(frozen=True)
class PreampState:
    """values: memory of coupling, ground leg and bandwidth, V each."""

    values: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Amplified:
    """preamp_v: shape (n,), V round bias_v; clipped: samples at an output limit; end: state afterwards."""

    preamp_v: FloatArray
    clipped: int
    end: PreampState


def amplify(
    microphone_v: FloatArray,
    preamp: Preamp,
    *,
    sample_rate_hz: float,
    state: PreampState | None = None,
) -> Amplified:
    """Return the output round bias: coupling, gain with ground leg, bandwidth, then the swing limits.

    microphone_v: shape (n,), V, at sample_rate_hz. An output at a limit stays there until the amplifier wants
    it back, and the ground leg's capacitor is charged by it as it is: an overload shifts what comes after.
    Raises ParameterError for samples of another shape.
    """
    from envlab.analog.kernels import front_kernels

    values = (state or PreampState()).values
    preamp_v, end, clipped = front_kernels.amplify_block(
        sample_row("microphone_v", microphone_v),
        output_limits(preamp, sample_rate_hz),
        *sections_of(preamp, sample_rate_hz),
        np.array(values),
    )
    return Amplified(preamp_v, int(clipped), PreampState((float(end[0]), float(end[1]), float(end[2]))))


# Asked for by every block.
@lru_cache(maxsize=4096)
def output_limits(preamp: Preamp, sample_rate_hz: float) -> tuple[float, float, float, float, float]:
    """Return (offset, low, high), V round the bias, and what a clipped output leaves in two memories.

    With q half a step over the ground leg's time constant gain·ground_ohm·ground_farad, a volt that the
    output lacks leaves −2q·(gain − 1)/((1 + q)·(1 + gain·q)) in the leg's memory: the trapezoid step of its
    capacitor, charged by the output as it is, less the step as if it were not limited. The bandwidth's
    memory is that of an output that stands still.
    """
    gain = preamp.gain
    q = math.pi * preamp.ground_corner_hz / (gain * sample_rate_hz)
    leg = -2 * q * (gain - 1) / ((1 + q) * (1 + gain * q))
    follows = float(sections.low_pass(closed_loop(preamp).bandwidth_hz, sample_rate_hz)[0])
    limits = float(preamp.output_offset_v), float(-preamp.swing_down_v), float(preamp.swing_up_v)
    return *limits, leg, 1 - follows


# Asked for by every block.
@lru_cache(maxsize=4096)
def sections_of(
    preamp: Preamp, sample_rate_hz: float
) -> tuple[sections.Section, sections.Section, sections.Section]:
    """Return the sections of input capacitor, ground leg and bandwidth."""
    coupling = sections.high_pass(preamp.coupling_corner_hz, sample_rate_hz)
    loop = closed_loop(preamp)
    leg = sections.gain_with_ground_leg(loop.gain, loop.leg_hz, sample_rate_hz)
    bandwidth = sections.low_pass(loop.bandwidth_hz, sample_rate_hz)
    return sections.numbers_of(coupling), sections.numbers_of(leg), sections.numbers_of(bandwidth)


def input_noise_v(preamp: Preamp, white: FloatArray, sample_rate_hz: float) -> FloatArray:
    """Return the noise at the preamp's input, shape (n,), V, at the rate of the circuit.

    white: shape (n + 1,), normal numbers of variance 1, the first of them the last of the block before.
    """
    from envlab.analog.kernels import front_kernels

    return np.asarray(front_kernels.coloured(white, *noise_weights_v(preamp, sample_rate_hz)))


@lru_cache(maxsize=4096)
def noise_weights_v(preamp: Preamp, sample_rate_hz: float) -> tuple[float, float]:
    """Return by how much a white number counts, V, and by how much the one before is taken off.

    Low in the band the noise has its density. An amplifier is quicker than half the rate of the circuit, and
    a rectifier hears what lies beyond as loud as the rest: that power is put into the upper part of the band,
    as 1 + c·(1 − cos θ) over the angle θ of a sample, so that the output's rms is that of the whole band,
    density·gain·√(π/2·bandwidth) for one pole. At 10 kHz it adds 0.2 dB for 10 MHz and a gain of 48.
    """
    theta = (np.arange(4096) + 0.5) * (math.pi / 4096)
    seen_rad_s = np.tan(theta / 2) / sections.half_step(1.0, sample_rate_hz)
    passed = np.ones_like(theta)
    for pole_hz in preamp.poles_hz:
        passed /= 1 + (seen_rad_s / (2 * math.pi * pole_hz)) ** 2
    whole = 2 * noise_bandwidth_hz(preamp) / sample_rate_hz
    c = max(0.0, (whole - float(passed.mean())) / float(np.mean((1 - np.cos(theta)) * passed)))
    now = 0.5 + 0.5 * math.sqrt(1 + 2 * c)
    rms_v = preamp.noise_density_v_per_rthz * math.sqrt(sample_rate_hz / 2)
    return rms_v * now, rms_v * (now - 1)


def noise_bandwidth_hz(preamp: Preamp) -> float:
    """Return π/2·f of one pole, π/2·f₁·f₂/(f₁ + f₂) of two, Hz, at most NOISE_TO_HZ.

    The integral of the squared response.
    """
    poles_hz = preamp.poles_hz
    whole_hz = 0.5 * math.pi * math.prod(poles_hz) / (sum(poles_hz) if len(poles_hz) > 1 else 1.0)
    return min(whole_hz, NOISE_TO_HZ)
