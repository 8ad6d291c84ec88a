"""Coupling capacitors, diodes and hold capacitor, one circuit.

Of each end the voltage is x − u, u on its coupling capacitor; up flows through its diode and the attack
resistor into the hold capacitor, down from the reference node into it:

    C·du/dt = up − down,    C3·dv/dt = Σ up − v/Rr,    x − u − v = Ra·Σ up + r·up + n·V_T·ln(1 + up/Is).

The step is implicit; where the coupling capacitor's own time constant is shorter than half a step its weight
moves towards the step's end.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from envlab.analog.detector import AverageDetector, Detector, PeakDetector, drawn_a, hold_step
from envlab.analog.rectifiers.pumps import Pump
from envlab.errors import ParameterError
from envlab.units import FloatArray


def pumped(pump: Pump, detector: Detector) -> PeakDetector:
    """Return the detector if a pump can charge it; ParameterError if it is an average."""
    if isinstance(detector, AverageDetector):
        limit = f"a peak detector behind {pump.topology}, whose diodes cannot draw it down again"
        raise ParameterError("detector", "average", limit)
    return detector


# Of what the hold capacitor has, what leaks from it within a step at most.
_LEAKS_A_STEP = 0.1


def least_rate_hz(pump: Pump, detector: Detector) -> float:
    """Return how many steps a second it takes at least to follow a pump, Hz.

    What leaks through diodes that block is taken as it stands before the step: it must not move a coupling
    capacitor beyond where it would stop, and the hold capacitor by a small share.

    pump: as built.
    """
    return max(_of_coupling_hz(pump), _of_hold_hz(pump, pumped(pump, detector)))


def _of_coupling_hz(pump: Pump) -> float:
    leaks_s = pump.saturation_a / pump.diode_slope_v + 2 / pump.leakage_ohm
    return leaks_s / min(end.coupling_farad for end in pump.ends)


def _of_hold_hz(pump: Pump, peak: PeakDetector) -> float:
    return len(pump.ends) / (pump.leakage_ohm * peak.hold_farad * _LEAKS_A_STEP)


def _check_followed(pump: Pump, peak: PeakDetector, sample_rate_hz: float) -> None:
    """Raise ParameterError for parts between which a step cannot tell what flows where."""
    couplings = [end.coupling_farad for end in pump.ends]
    least_farad = min(couplings)
    name = ("coupling_farad", "other_coupling_farad")[couplings.index(least_farad)]
    asked = (
        (name, least_farad, _of_coupling_hz(pump)),
        ("hold_farad", peak.hold_farad, _of_hold_hz(pump, peak)),
    )
    for name, farad, least_hz in asked:
        if sample_rate_hz < least_hz:
            limit = f"at least {farad * least_hz / sample_rate_hz:.3g} F beside diodes that leak so much"
            raise ParameterError(name, farad, limit)
    # Else what one end lets back would take more from the others than they have.
    most_ohm = 1 / (pump.saturation_a / pump.diode_slope_v + 1 / pump.leakage_ohm)
    if len(pump.ends) > 1 and peak.attack_ohm >= most_ohm:
        limit = f"under {most_ohm:.4g} ohm behind two ends whose diodes leak so much"
        raise ParameterError("attack_ohm", peak.attack_ohm, limit)


@functools.lru_cache(maxsize=1024)
def _numbers(detector: Detector, pump: Pump, sample_rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Return what hold_pumps wants to know of a step: numbers and ends."""
    peak = pumped(pump, detector)
    _check_followed(pump, peak, sample_rate_hz)
    bleed = hold_step(peak, sample_rate_hz).bleed_keep
    per_a, slope_v, saturation_a = peak.release_ohm * (1 - bleed), pump.diode_slope_v, pump.saturation_a
    quickest_s = peak.attack_ohm * peak.hold_farad
    weight = max(0.5, 1 - sample_rate_hz * quickest_s)

    def solved(through_ohm: float) -> tuple[float, float]:
        knee = through_ohm * saturation_a / slope_v
        return knee + math.log(knee), slope_v / through_ohm

    ends = []
    for end in pump.ends:
        step = 1 / (sample_rate_hz * end.coupling_farad)
        through = peak.attack_ohm + pump.series_ohm
        up_weight = max(weight, 1 - sample_rate_hz * through * end.coupling_farad)
        down_weight = max(0.5, 1 - sample_rate_hz * pump.series_ohm * end.coupling_farad)
        up_ohm = through + weight * per_a + up_weight * step
        down_ohm = pump.series_ohm + down_weight * step
        ends.append(
            (
                *(end.gain, end.least_v, end.most_v, step, *solved(up_ohm), *solved(down_ohm)),
                *(end.most_ohm, *solved(up_ohm + end.most_ohm)),
                *(end.least_ohm, *solved(down_ohm + end.least_ohm)),
            )
        )
    numbers = (
        bleed,
        per_a,
        weight,
        1 / slope_v,
        saturation_a,
        1 / pump.leakage_ohm,
        peak.attack_ohm,
        drawn_a(peak),
    )
    return np.array(numbers), np.array(ends)


def hold_pumped(
    signal_v: FloatArray, pump: Pump, detector: Detector, *, sample_rate_hz: float, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return (held_v, end) over one block; held_v[n], V above the node, is stamped half a period on.

    signal_v: shape (n,), V round the bias. start, end: (held, across each end's coupling capacitor), V.
    """
    from envlab.analog.kernels import pump_kernels
    from envlab.analog.kernels.diode_kernels import shared_table

    numbers, ends = _numbers(detector, pump, sample_rate_hz)
    held_v, end = pump_kernels.hold_pumps(signal_v, numbers, ends, shared_table(), start)
    return held_v, end
