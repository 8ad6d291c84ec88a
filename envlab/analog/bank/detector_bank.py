"""A bank of detectors on one drive, read only at the instants that somebody asks for.

Gives what detect and read_at give one by one, many times faster: no detector's every sample is stored.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from envlab.analog.detector import Detector, hold_step
from envlab.errors import ParameterError
from envlab.units import FloatArray, IntArray

BLOCK_MULTIPLE = 64


@dataclass(frozen=True, eq=False)
class DetectorBank:
    """Detectors with one sample rate, laid out for the compiled loop.

    lanes: shape (groups, 6, lanes of a group), as hold_groups wants them. detector: shape (groups, lanes of a
    group), whose lane it is; lanes that are left over repeat the last one.
    """

    lanes: FloatArray
    detector: IntArray

    @property
    def detectors(self) -> int:
        """How many there are."""
        return int(self.detector.max()) + 1

    def start(self, held_v: FloatArray | float = 0.0) -> FloatArray:
        """State in which the detectors hold held_v, V, shape (detectors,) or one for all."""
        gain = self.lanes[:, 5]
        each_v = np.broadcast_to(held_v, (self.detectors,))
        start: FloatArray = each_v[self.detector] / gain
        return start


def bank_of(detectors: tuple[Detector, ...], sample_rate_hz: float) -> DetectorBank:
    """Return the bank of these detectors; at least one."""
    from envlab.analog.kernels.vector_kernels import LANES

    if not detectors:
        raise ParameterError("detectors", detectors, "at least one detector")
    charge, gain, bleed = np.array([hold_step(detector, sample_rate_hz) for detector in detectors]).T
    groups = -(-len(detectors) // LANES)
    order = _alike_side_by_side(charge, bleed, groups)
    padded = np.concatenate((order, np.full(groups * LANES - order.size, order[-1])))
    rows = _rows(charge[padded], gain[padded], bleed[padded])
    lanes = np.ascontiguousarray(rows.reshape(rows.shape[0], groups, LANES).transpose(1, 0, 2))
    return DetectorBank(lanes, padded.reshape(groups, LANES))


def _alike_side_by_side(charge: FloatArray, bleed: FloatArray, groups: int) -> IntArray:
    """Order in which the detectors of a group tend to charge in the same moments.

    How much of the time a detector charges is a matter of charge over release time; how fast it moves, of
    either. So: bands of equal ratio, and within a band by release, every other band backwards.
    """
    ratio = (1 - bleed) / np.maximum(1 - charge, np.finfo(float).tiny)
    rank = np.argsort(np.argsort(ratio, kind="stable"), kind="stable")
    bands = max(1, round(2 * math.sqrt(groups)))
    band = rank * bands // rank.size
    return np.lexsort((np.where(band % 2, -bleed, bleed), band))


def _rows(charge: FloatArray, gain: FloatArray, bleed: FloatArray) -> FloatArray:
    """What hold_groups wants to know of each lane, shape (6, lanes)."""
    from envlab.analog.kernels.lane_kernels import STRIP, TILE

    # The share that many steps take, from the logarithm, comes out right to its last digits; 1 minus a power
    # would err by the rounding of the power, thousands of times over in a long decay.
    with np.errstate(divide="ignore"):
        log_bleed = np.log(bleed)
    lost_in_strip, lost_in_tile = -np.expm1(STRIP * log_bleed), -np.expm1(TILE * log_bleed)
    stay = np.maximum(bleed - charge, 0) * bleed ** (TILE - 1)
    return np.array((charge, bleed, stay, lost_in_strip, lost_in_tile, gain))


def read_bank(
    drive_v: FloatArray,
    bank: DetectorBank,
    upper: IntArray,
    fraction: FloatArray,
    *,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return (read_v, end state) over one block of drive.

    drive_v: shape (n,), V ≥ 0; every block but the last a multiple of BLOCK_MULTIPLE long, so that blocks
    fall on the same tiles as the whole and give the same bits. upper, fraction: shape (readings,), as
    stamps_of gives them, counted from this block's first sample. read_v: shape (readings, detectors), V, in
    the order of the detectors given to bank_of.
    """
    from envlab.analog.kernels import lane_kernels

    alone = len(bank.lanes) == 1 or not in_twos()
    hold = lane_kernels.hold_groups if alone else lane_kernels.hold_groups_in_twos
    read_v, end = hold(drive_v, bank.lanes, bank.detector, bank.detectors, state, upper, fraction)
    return read_v.T, end


def in_twos() -> bool:
    """Whether two groups are stepped together here, as the processor has it."""
    from envlab.analog.kernels.vector_kernels import two_groups_fit

    return two_groups_fit()
