"""A bank of detectors on one drive, read only at the instants that somebody asks for.

Gives what detect and read_at give one by one, many times faster: no detector's every sample is stored.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.analog.detector import Detector, hold_step
from envlab.errors import ParameterError
from envlab.units import FloatArray, IntArray

GROUP = 64
BLOCK_MULTIPLE = 64


@dataclass(frozen=True, eq=False)
class DetectorBank:
    """Detectors with one sample rate, laid out for the compiled loop.

    order: shape (lanes,), which detector stands in which lane: sorted by bleed, then by charge, so that the
    lanes of one group tend to charge in the same moments.
    charge_keep, charge_gain, bleed_keep: shape (lanes,), the step of each.
    """

    order: IntArray
    charge_keep: FloatArray
    charge_gain: FloatArray
    bleed_keep: FloatArray

    @property
    def groups(self) -> list[slice]:
        """Lanes in groups of at most GROUP."""
        return [slice(i, min(i + GROUP, self.order.size)) for i in range(0, self.order.size, GROUP)]

    def start(self) -> FloatArray:
        """State of empty capacitors."""
        return np.zeros(self.order.size)


def bank_of(detectors: tuple[Detector, ...], sample_rate_hz: float) -> DetectorBank:
    """Return the bank of these detectors; at least one."""
    if not detectors:
        raise ParameterError("detectors", detectors, "at least one detector")
    steps = np.array([hold_step(detector, sample_rate_hz) for detector in detectors])
    order = np.lexsort((steps[:, 0], steps[:, 2]))
    keep, gain, bleed = (np.ascontiguousarray(column) for column in steps[order].T)
    return DetectorBank(order, keep, gain, bleed)


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
    from envlab.analog import lane_kernels

    whole = drive_v.size // lane_kernels.TILE * lane_kernels.TILE
    tile_largest = drive_v[:whole].reshape(-1, lane_kernels.TILE).max(axis=1)
    strip_largest = drive_v[:whole].reshape(-1, lane_kernels.STRIP).max(axis=1)
    read_v = np.empty((upper.size, bank.order.size))
    end = np.empty_like(state)
    for lanes in bank.groups:
        out = np.empty((upper.size, lanes.stop - lanes.start))
        end[lanes] = lane_kernels.hold_group(
            drive_v, tile_largest, strip_largest, bank.charge_keep[lanes], bank.bleed_keep[lanes],
            state[lanes], upper, fraction, out,
        )  # fmt: skip
        read_v[:, bank.order[lanes]] = out * bank.charge_gain[lanes]
    return read_v, end
