"""Rectifier and detector as one stage: the preamp's output in, the capacitor's voltage out.

Whatever the rectifier is, the step from one sample to the next is the same for one detector and for many;
which loop runs is decided here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.analog.detector import AverageDetector, Detector, detect, hold_step
from envlab.analog.diodes.passive import diode_step, hold_passive
from envlab.analog.rectifier import Rectifier, rectify_in_time
from envlab.units import FloatArray


@dataclass(frozen=True)
class HoldState:
    """held_v: V on the hold capacitor above the reference node. across_v: V across the coupling capacitor."""

    held_v: float = 0.0
    across_v: float = 0.0


def hold_signal(
    signal_v: FloatArray,
    rectifier: Rectifier,
    detector: Detector,
    *,
    sample_rate_hz: float,
    bias_v: float = 0.0,
    resting_v: float = 0.0,
    state: HoldState | None = None,
) -> tuple[FloatArray, HoldState]:
    """Return (held_v, end state): V above the reference node, shape (n,).

    Held_v[n] stamped (n + ½)/sample_rate_hz.

    signal_v: shape (n,), V round the preamp's bias_v. A rectifier's own amplifier begins at rest, at
    resting_v, V round bias_v.
    """
    state = state or HoldState()
    drive_v, _ = rectify_in_time(
        signal_v, rectifier, sample_rate_hz=sample_rate_hz, bias_v=bias_v, resting_v=resting_v
    )
    return hold_rectified(drive_v, rectifier, detector, sample_rate_hz=sample_rate_hz, state=state)


def hold_rectified(
    drive_v: FloatArray,
    rectifier: Rectifier,
    detector: Detector,
    *,
    sample_rate_hz: float,
    state: HoldState,
) -> tuple[FloatArray, HoldState]:
    """The same from the rectified drive on, V above the reference node."""
    if rectifier.diode != "none":
        step = diode_step(detector, rectifier, sample_rate_hz)
        held_v, end = hold_passive(drive_v, step, np.array([state.held_v, state.across_v]))
        return held_v, HoldState(float(end[0]), float(end[1]))
    if rectifier.output_current_a is not None and not isinstance(detector, AverageDetector):
        from envlab.analog.kernels import diode_kernels

        charge, gain, bleed = hold_step(detector, sample_rate_hz)
        kick_v = rectifier.output_current_a * detector.release_ohm * (1 - bleed)
        held_v, end_v = diode_kernels.hold_limited(drive_v, charge, gain, bleed, kick_v, state.held_v)
        return held_v, HoldState(float(end_v))
    held_v, end_v = detect(drive_v, detector, sample_rate_hz=sample_rate_hz, start_v=state.held_v)
    return held_v, HoldState(end_v)
