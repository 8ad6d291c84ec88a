"""A passive diode and its hold capacitor, one circuit.

From the offered voltage u through the attack resistor Ra and the diode onto C. The diode's leakage lies
across the diode alone, its own resistance Rs included, so that both currents flow through Ra:

    C·dv/dt = i − v/Rr,    i = i_d + D/R_leak,    D = u − v − Ra·i = Rs·i_d + n·V_T·ln(1 + i_d/Is),

with n·V_T, Rs and R_leak twice for a bridge. What Ra and R_leak do to i_d is a divider, κ = R_leak/(R_leak +
Ra): κ·(u − v) = (κ·Ra + Rs)·i_d + n·V_T·ln(1 + i_d/Is), and i = κ·i_d + (u − v)/(R_leak + Ra). Coupled, u is
the signal less what stands on the coupling capacitor, which carries i and the current of its return resistor.
Each sample stands for the interval of one period round its instant. The step is the implicit midpoint rule,
second order and stable; where a time constant is shorter than half a step its weight moves towards the step's
end, just so far that the capacitor cannot pass its drive.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from envlab.analog.detector import AverageDetector, Detector, PeakDetector, drawn_a
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.errors import ParameterError
from envlab.units import FloatArray

STEP_NUMBERS = 13


def charged_through(detector: Detector) -> PeakDetector:
    """Return the detector if a passive diode can charge it; ParameterError if it is an average."""
    if isinstance(detector, AverageDetector):
        limit = "a peak detector behind a passive diode, which cannot draw the capacitor down again"
        raise ParameterError("detector", "average", limit)
    return detector


def diode_step(detector: Detector, rectifier: Rectifier, sample_rate_hz: float) -> FloatArray:
    """Return the numbers of one step, shape (STEP_NUMBERS,), as the loops of diode_kernels take them."""
    return np.array(_step(detector, rectifier, sample_rate_hz))


# A settled tone asks for the same step cycle by cycle, and that took longer than the cycle.
@functools.lru_cache(maxsize=256)
def _step(detector: Detector, rectifier: Rectifier, sample_rate_hz: float) -> tuple[float, ...]:
    detector, diode = charged_through(detector), rectifier.passive_diode
    if diode is None:
        raise ParameterError("diode", rectifier.diode, "a class of passive diode")
    in_path = rectifier.diodes_in_path
    slope_v, saturation_a = in_path * diode.slope_v, diode.saturation_now_a
    attack_ohm, own_ohm = detector.attack_ohm, in_path * diode.series_ohm
    leak = 1 / (in_path * diode.leakage_ohm + attack_ohm)
    share = 1 - attack_ohm * leak
    release, coupling = 1 / detector.release_ohm, rectifier.coupling_farad
    back = 1 / rectifier.return_ohm if rectifier.return_ohm else 0.0
    conducting = 1 / (attack_ohm + own_ohm) + leak
    quickest_per_s = (conducting + release) / detector.hold_farad
    if coupling is not None:
        quickest_per_s = max(quickest_per_s, (conducting + back) / coupling)
    weight = max(0.5, 1 - sample_rate_hz / quickest_per_s)
    # Volts that an ampere moves within the step on the hold and on the coupling capacitor, and by how much
    # what hangs on each of the two nodes takes of that.
    held = weight / (sample_rate_hz * detector.hold_farad)
    across = 0.0 if coupling is None else weight / (sample_rate_hz * coupling)
    held_share, across_share = 1 + held * (release + leak), 1 + across * (back + leak)
    both = held_share * across_share - held * leak * across * leak
    moved = share * held * (across_share - across * leak) / both
    moved_across = share * across * (held_share - held * leak) / both
    seen_ohm = share * attack_ohm + own_ohm + share * (moved + moved_across)
    knee = seen_ohm * saturation_a / slope_v
    return (
        held_share / both,
        held * leak,
        1 / held_share,
        knee + math.log(knee),
        share / slope_v,
        slope_v / seen_ohm,
        saturation_a,
        math.inf if rectifier.output_current_a is None else rectifier.output_current_a,
        moved,
        1 / weight,
        moved_across,
        across * leak / both,
        held * drawn_a(detector),
    )


def hold_passive(drive_v: FloatArray, step: FloatArray, start: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (held_v, end) of one detector: held_v[n], V above the reference node.

    Is stamped half a period on.

    drive_v: shape (n,), V. start, end: shape (2,), V on the hold capacitor and across the coupling capacitor.
    """
    from envlab.analog.kernels import diode_kernels

    moved_across = step[10]
    loop = diode_kernels.hold_coupled if moved_across > 0 else diode_kernels.hold_diode
    held_v, end = loop(drive_v, step, diode_kernels.shared_table(), start)
    return held_v, end
