"""A rectifier with amplifiers and its hold capacitor, one circuit.

What the amplifiers have to do depends on the voltage that is held: the one that is blocked has to bring its
output from its lowest up to held voltage and diode drop, at 2π·GBW·(s − held) volts a second and never faster
than it slews. From then on C·dv/dt = (s − v)/Ra − v/Rr; else −v/Rr less what blocked diodes and inputs take.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

import numpy as np

from envlab.analog.detector import (
    AverageDetector,
    Detector,
    DrawnAverageDetector,
    PeakDetector,
    drawn_a,
    hold_step,
)
from envlab.analog.rectifiers.half_waves import FirstAmplifier, HalfWave, HalfWaves
from envlab.errors import ParameterError
from envlab.units import FloatArray

# (coupling capacitor, output of the first amplifier), V, before the amplifiers with a diode in their loop.
MADE_STATES = 2
# As half_wave_kernels.CONDUCTS, which is imported where it compiles.
CONDUCTS_V = 1e3
# An amplifier that is there at once moves so far in a step.
_AT_ONCE = 1e18
Make = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray, FloatArray]]


@functools.lru_cache(maxsize=1024)
def side_numbers(built: HalfWaves) -> FloatArray:
    """Return gain, error, pedestal and ceiling of the upper, then of the lower half wave; shape (8,), V."""

    def of(side: HalfWave) -> tuple[float, ...]:
        return side.gain, side.error_v, side.pedestal_v, side.ceiling_v

    return np.array((*of(built.upper), *of(built.lower)))


def first_numbers(built: HalfWaves, first: FirstAmplifier, sample_rate_hz: float) -> FloatArray:
    """Return what pass_first wants to know of the first amplifier, as its docstring names it.

    Shape (5,): share a step, V a step, V, 1/V, V.
    """
    per_step, most_step_v = _steps(built, sample_rate_hz)
    per_knee = 1 / (first.input_ohm * built.saturation_a)
    return np.array((per_step * first.share, most_step_v, built.diode_slope_v, per_knee, first.most_v))


def _steps(built: HalfWaves, sample_rate_hz: float) -> tuple[float, float]:
    """How far an amplifier's output moves in a step: for each volt at its input, and at most, V."""
    per_step = min(_AT_ONCE, 2 * math.pi * built.gain_bandwidth_hz / sample_rate_hz)
    return per_step, min(_AT_ONCE, built.slew_v_per_s / sample_rate_hz)


def coupling_numbers(built: HalfWaves, sample_rate_hz: float) -> tuple[float, float, float]:
    """What a step puts onto the coupling capacitor: share of the signal; share of it below a voltage; that.

    Both shares are of currents that add up.
    """
    if built.coupling_farad is None or built.return_ohm is None:
        return 0.0, 0.0, 0.0
    step = 1 / (sample_rate_hz * built.coupling_farad)
    coupled = -math.expm1(-step / built.return_ohm)
    if built.lower_return_ohm is None:
        return coupled, 0.0, 0.0
    both = -math.expm1(-step * (1 / built.return_ohm + 1 / built.lower_return_ohm))
    return coupled, both - coupled, built.lower_return_v


def both_ways(built: HalfWaves, detector: Detector) -> AverageDetector | None:
    """Return the detector that an output which can sink makes of any; None if it only gives."""
    if built.only_gives:
        return None
    if isinstance(detector, AverageDetector):
        return detector
    resistors = detector.attack_ohm, detector.hold_farad, detector.release_ohm
    if drawn_a(detector) == 0:
        return AverageDetector(*resistors)
    return DrawnAverageDetector(*resistors, drawn_a(detector))


def follow_both_ways(
    offered_v: FloatArray, average: AverageDetector, sample_rate_hz: float, start_v: float
) -> tuple[FloatArray, float]:
    """Return (held_v, end_v) as detect does, V above the reference node; an offset may lie below it.

    offered_v: shape (n,), V.
    """
    from envlab.analog.kernels.half_waves import half_wave_kernels

    keep, gain, _ = hold_step(average, sample_rate_hz)
    # What is drawn from the capacitor comes through the resistor.
    left_v = offered_v - average.smoothing_ohm * drawn_a(average)
    held_v, end_v = half_wave_kernels.follow_both_ways(left_v, keep, gain, start_v)
    return held_v, float(end_v)


def given_by(built: HalfWaves, detector: Detector) -> PeakDetector:
    """Return the detector if such a rectifier can drive it; ParameterError if it is an average."""
    if isinstance(detector, AverageDetector):
        limit = f"a peak detector behind {built.topology}, which only gives and cannot draw down again"
        raise ParameterError("detector", "average", limit)
    return detector


@functools.lru_cache(maxsize=1024)
def holding_numbers(detector: Detector, built: HalfWaves, sample_rate_hz: float) -> FloatArray:
    """Return what hold_half_waves wants to know of a step, as its first lines name it."""
    peak = given_by(built, detector)
    keep, gain, bleed = hold_step(peak, sample_rate_hz)
    attack, slope_v, saturation_a = peak.attack_ohm, built.diode_slope_v, built.saturation_a
    per_a = peak.release_ohm * (1 - bleed)
    high_v, series = built.output_high_v, built.series_ohm / attack
    far_v = max(0.0, high_v - built.output_low_v)
    # Below this no diode's drop takes the output to its end; beyond it Wright's omega says how far it gets.
    safe_v = high_v - slope_v * math.log1p(far_v / (attack * saturation_a)) - series * far_v
    through = attack + built.series_ohm
    knee = through * saturation_a / slope_v
    return np.array(
        (
            keep,
            gain,
            bleed,
            built.output_low_v,
            high_v,
            *_steps(built, sample_rate_hz),
            slope_v,
            1 / (attack * saturation_a),
            series,
            1 / slope_v,
            per_a * built.blocked_diodes * saturation_a,
            per_a * built.blocked_diodes / built.leakage_ohm,
            per_a * (built.drawn_a + drawn_a(peak)),
            safe_v,
            1 / slope_v,
            knee + math.log(knee),
            attack * slope_v / through,
            attack * saturation_a,
            attack / per_a,
            attack * drawn_a(peak),
        )
    )


def made_at_rest() -> FloatArray:
    """Return the state before the half waves are made, shape (MADE_STATES,), V."""
    return np.zeros(MADE_STATES)


def held_at_rest(built: HalfWaves, held_v: float = 0.0) -> FloatArray:
    """Return the state in which the amplifiers are at their lowest, as hold_made takes it."""
    return np.array([held_v, built.output_low_v, built.output_low_v, 0.0, 0.0])


def make(
    signal_v: FloatArray, built: HalfWaves, *, sample_rate_hz: float, start: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (upper, lower, end): both half waves of a block, V above the reference node, shape (n,).

    signal_v: shape (n,), V round the bias. start, end: shape (MADE_STATES,), V. Where one amplifier hands
    both on, the upper one is the larger of them and the lower one is below everything.
    """
    return making(built, sample_rate_hz)(signal_v, start)


def making(built: HalfWaves, sample_rate_hz: float) -> Make:
    """Return make as a map of (signal_v, start), for who makes one block after the other."""
    from envlab.analog.kernels.half_waves import half_wave_kernels as kernels

    coupling = None if built.coupling_farad is None else coupling_numbers(built, sample_rate_hz)
    first = None if built.first is None else first_numbers(built, built.first, sample_rate_hz)
    sides = side_numbers(built)

    def made(signal_v: FloatArray, start: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        across_v, first_v = start.tolist()
        if coupling is not None:
            signal_v, across_v = kernels.couple(signal_v, *coupling, across_v)
        upper_v, lower_v = kernels.fold(signal_v, sides)
        if first is not None:
            upper_v, first_v = kernels.pass_first(signal_v, upper_v, lower_v, sides, first, first_v)
        if built.joined:
            upper_v, lower_v = np.maximum(upper_v, lower_v), np.full(lower_v.size, -kernels.CONDUCTS)
        return upper_v, lower_v, np.array([across_v, first_v])

    return made


def hold_made(
    upper_v: FloatArray, lower_v: FloatArray, numbers: FloatArray, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return (held_v, end) of both half waves; held_v[n], V above the node, is stamped half a period on.

    upper_v, lower_v: shape (n,), V, as make gives them. numbers: as holding_numbers has them. start, end: as
    held_at_rest.
    """
    from envlab.analog.kernels.diode_kernels import shared_table
    from envlab.analog.kernels.half_waves import half_wave_kernels

    held_v, end = half_wave_kernels.hold_half_waves(upper_v, lower_v, numbers, shared_table(), start)
    return held_v, end
