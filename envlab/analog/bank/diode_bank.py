"""A bank of detectors behind one passive diode, read only at the instants that somebody asks for.

Gives what hold_passive and read_at give one by one, to 1e-12 of the drive and several times faster.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.analog.detector import Detector
from envlab.analog.diodes.passive import diode_step
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.errors import ParameterError
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class DiodeBank:
    """Detectors behind one diode at one sample rate, laid out for the compiled loop.

    lanes: shape (groups, numbers, lanes of a group), as hold_diodes wants them; those that are left over at
    the end repeat the last detector. detectors: how many there are.
    """

    lanes: FloatArray
    detectors: int

    def start(self, held_v: FloatArray, across_v: FloatArray) -> FloatArray:
        """State in which the capacitors have these voltages, V, each of shape (detectors,)."""
        groups, _, lanes = self.lanes.shape
        spare = groups * lanes - self.detectors
        both = np.stack([np.pad(volts, (0, spare), "edge") for volts in (held_v, across_v)])
        return np.ascontiguousarray(both.reshape(2, groups, lanes).transpose(1, 0, 2))


def diode_bank_of(detectors: tuple[Detector, ...], rectifier: Rectifier, sample_rate_hz: float) -> DiodeBank:
    """Return the bank of these peak detectors, at least one, behind a rectifier with a passive diode."""
    from envlab.analog.kernels.vector_kernels import LANES

    if not detectors:
        raise ParameterError("detectors", detectors, "at least one detector")
    steps = np.array([diode_step(detector, rectifier, sample_rate_hz) for detector in detectors])
    rows = diode_rows(np.pad(steps, ((0, -len(steps) % LANES), (0, 0)), "edge"))
    lanes = np.ascontiguousarray(rows.reshape(rows.shape[0], -1, LANES).transpose(1, 0, 2))
    return DiodeBank(lanes, len(detectors))


def diode_rows(steps: FloatArray) -> FloatArray:
    """Return what hold_diodes wants to know of each lane, shape (numbers, lanes).

    steps: of each, as diode_step gives them, shape (lanes, STEP_NUMBERS).
    Everything linear is gathered: x and both voltages at the step's end are sums of the voltages before,
    what is offered, and ω.
    """
    passed, leak, keep, x0, per_v, per_y, saturation, most, moved, over, moved_across, back, kick = steps.T
    # What is drawn from the capacitor is taken off both voltages that a step begins with.
    offered_less = back * kick
    return np.array(
        (
            passed,
            x0 + per_v * keep * kick - per_v * (1 - keep * leak) * offered_less,
            -per_v * keep,
            per_v * (1 - keep * leak),
            (most + saturation) / per_y,
            -over * (moved * saturation + keep * kick + keep * leak * offered_less),
            1 - over + over * keep,
            over * keep * leak,
            over * moved * per_y,
            over,
            over * (offered_less - moved_across * saturation),
            over * moved_across * per_y,
            back,
        )
    )


def read_diode_bank(
    drive_v: FloatArray,
    bank: DiodeBank,
    upper: IntArray,
    fraction: FloatArray,
    *,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return (read_v, end state) over one block of drive, of any length.

    drive_v: shape (n,), V above the reference node, what rectify gives. upper, fraction: shape (readings,),
    as stamps_of gives them, counted from this block's first sample. read_v: shape (readings, detectors), V,
    in the order of the detectors given to diode_bank_of.
    """
    from envlab.analog.kernels import diode_lane_kernels

    read_v, end = diode_lane_kernels.hold_diodes(drive_v, bank.lanes, state, upper, fraction)
    groups, readings, lanes = read_v.shape
    side_by_side = read_v.transpose(1, 0, 2).reshape(readings, groups * lanes)
    return side_by_side[:, : bank.detectors], end
