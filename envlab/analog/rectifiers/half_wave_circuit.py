"""A rectifier with amplifiers and its hold capacitor, one circuit.

What the amplifiers have to do depends on the voltage that is held: the one that is blocked has to bring its
output from its lowest up to held voltage and diode drop, at 2π·GBW·(s − held) volts a second and never faster
than it slews. From then on C·dv/dt = (s − v)/Ra − v/Rr; else −v/Rr less what blocked diodes and inputs take.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from envlab.analog.detector import AverageDetector, Detector, hold_step
from envlab.analog.rectifiers.half_waves import HalfWave, HalfWaves
from envlab.errors import ParameterError
from envlab.units import FloatArray

STATES = 7
# An amplifier that is there at once moves so far in a step.
_AT_ONCE = 1e18


def side_numbers(built: HalfWaves) -> FloatArray:
    """Return gain, error, pedestal and ceiling of the upper, then of the lower half wave; shape (8,), V."""

    def of(side: HalfWave) -> tuple[float, ...]:
        return side.gain, side.error_v, side.pedestal_v, side.ceiling_v

    return np.array((*of(built.upper), *of(built.lower)))


@functools.lru_cache(maxsize=1024)
def circuit_numbers(detector: Detector, built: HalfWaves, sample_rate_hz: float) -> FloatArray:
    """Return what hold_half_waves wants to know of a step.

    Raises ParameterError for an average detector, which such a rectifier cannot draw down again.
    """
    if isinstance(detector, AverageDetector):
        limit = f"a peak detector behind {built.topology}, which only gives"
        raise ParameterError("detector", "average", limit)
    keep, gain, bleed = hold_step(detector, sample_rate_hz)
    attack, slope_v, saturation_a = detector.attack_ohm, built.diode_slope_v, built.saturation_a
    per_step = min(_AT_ONCE, 2 * math.pi * built.gain_bandwidth_hz / sample_rate_hz)
    most_step_v = min(_AT_ONCE, built.slew_v_per_s / sample_rate_hz)
    per_a = detector.release_ohm * (1 - bleed)
    high_v, series = built.output_high_v, built.series_ohm / attack
    far_v = max(0.0, high_v - built.output_low_v)
    safe_v = high_v - slope_v * math.log1p(far_v / (attack * saturation_a)) - series * far_v
    through = attack + built.series_ohm
    knee = through * saturation_a / slope_v
    coupled, coupled_low = _coupling(built, sample_rate_hz)
    first = built.first
    return np.array(
        (
            keep,
            gain,
            bleed,
            built.output_low_v,
            high_v,
            per_step,
            most_step_v,
            slope_v,
            1 / (attack * saturation_a),
            series,
            1 / slope_v,
            per_a * built.blocked_diodes * saturation_a,
            per_a * built.blocked_diodes / built.leakage_ohm,
            per_a * built.drawn_a,
            safe_v,
            1 / slope_v,
            knee + math.log(knee),
            attack * slope_v / through,
            attack * saturation_a,
            coupled,
            coupled_low,
            float(built.joined),
            0.0 if first is None else per_step * first.share,
            most_step_v,
            0.0 if first is None else 1 / (first.input_ohm * saturation_a),
            math.inf if first is None else first.most_v,
        )
    )


def _coupling(built: HalfWaves, sample_rate_hz: float) -> tuple[float, float]:
    """Share of the signal above and below the reference node that a step puts onto the coupling capacitor."""
    if built.coupling_farad is None or built.return_ohm is None:
        return 0.0, 0.0
    lower_s = 0.0 if built.lower_return_ohm is None else 1 / built.lower_return_ohm
    step = 1 / (sample_rate_hz * built.coupling_farad)
    return -math.expm1(-step / built.return_ohm), -math.expm1(-step * (1 / built.return_ohm + lower_s))


def behind_coupling(
    signal_v: FloatArray, built: HalfWaves, *, sample_rate_hz: float, across_v: float
) -> FloatArray:
    """Return the signal behind the coupling capacitor, V above the reference node; without one the signal.

    signal_v: shape (n,), V. across_v: on the capacitor before the block, V.
    """
    if built.coupling_farad is None:
        return signal_v
    from envlab.analog.kernels import half_wave_kernels

    return half_wave_kernels.couple(signal_v, *_coupling(built, sample_rate_hz), across_v)


def at_rest(built: HalfWaves, held_v: float = 0.0, across_v: float = 0.0) -> FloatArray:
    """Return a state with the amplifiers at their lowest, shape (STATES,), V."""
    return np.array([held_v, across_v, built.output_low_v, built.output_low_v, 0.0, 0.0, 0.0])


def hold_half_waves(
    signal_v: FloatArray, built: HalfWaves, detector: Detector, *, sample_rate_hz: float, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return (held_v, end) over one block; held_v[n], V above the reference node, is stamped half a period on.

    signal_v: shape (n,), V round the bias. start, end: shape (STATES,), as at_rest.
    """
    from envlab.analog.kernels import half_wave_kernels
    from envlab.analog.kernels.diode_kernels import shared_table

    held_v, end = half_wave_kernels.hold_half_waves(
        signal_v,
        side_numbers(built),
        circuit_numbers(detector, built, sample_rate_hz),
        shared_table(),
        start,
    )
    return held_v, end
