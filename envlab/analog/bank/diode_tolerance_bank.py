"""Boards of one design behind a passive diode: each its own front end, diode and hold capacitor.

The front end is that of tolerance_bank; the step of diode and capacitor is that of diode_bank.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from envlab.analog.bank.diode_bank import diode_rows
from envlab.analog.bank.tolerance_bank import Board, BoardBlock, own_rows
from envlab.analog.diodes.passive import diode_step
from envlab.analog.envelope import HoldState
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True)
class DiodeBoard:
    """What of one board the bank wants to know. start: what it holds in silence."""

    front: Board
    rectifier: Rectifier
    start: HoldState

    @property
    def lifted_v(self) -> float:
        """By how much the signal rests above the reference node, V."""
        if self.rectifier.reference != "bias":
            return 0.0
        return self.front.preamp.bias_v - self.rectifier.reference_node_v


class DiodeSpreadBank:
    """Carries the state of its boards from block to block; all begin in silence.

    boards: at least one; they fold the wave or not, all alike.
    """

    def __init__(self, nominal: Board, boards: Sequence[DiodeBoard], sample_rate_hz: float) -> None:
        from envlab.analog.kernels import diode_board_kernels as kernels
        from envlab.analog.kernels.half_waves import half_wave_front_kernels
        from envlab.analog.kernels.vector_kernels import LANES

        self._boards, self._full = len(boards), boards[0].rectifier.kind == "full"
        ratio, *front = own_rows(nominal, [one.front for one in boards], sample_rate_hz)
        steps = np.array([diode_step(one.front.detector, one.rectifier, sample_rate_hz) for one in boards])
        lifted = np.array([one.lifted_v for one in boards])
        # What lane_kernels would know of the detectors is not asked for here.
        unused = np.zeros((len(kernels.ROWS) - len(front) - 2 - kernels.DIODE_NUMBERS, len(boards)))
        rows = np.vstack((unused, *front, ratio, lifted, diode_rows(steps)))
        self._lanes = _in_groups(rows, LANES)
        state = np.zeros((kernels.STATES, len(boards)))
        state[0] = [one.start.held_v for one in boards]
        state[-1] = [one.start.across_v for one in boards]
        groups = _in_groups(state, LANES)
        self._state = groups.reshape(len(groups), -1)
        self._limited = half_wave_front_kernels.LIMITED

    def read(
        self, block: BoardBlock, upper: IntArray, fraction: FloatArray, pool: ThreadPoolExecutor, workers: int
    ) -> FloatArray:
        """Return V above the reference node, shape (boards, readings); blocks in their order.

        Blocks and upper, fraction as for read_bank: every block but the last a multiple of BLOCK_MULTIPLE.
        """
        from envlab.analog.kernels import diode_board_kernels as kernels

        groups, _, lanes = self._lanes.shape
        read_v = np.empty((groups, upper.size, lanes))
        portion = -(-groups // workers)
        nominal_v = block.free_v, block.quick_v, block.lacks_v

        def run(part: slice) -> None:
            kernels.follow_diode_boards(
                nominal_v, block.noise_v, block.heard_v, block.over, self._lanes[part], self._full,
                self._state[part], np.empty(kernels.ROOM), upper, fraction, read_v[part],
            )  # fmt: skip

        list(pool.map(run, [slice(first, first + portion) for first in range(0, groups, portion)]))
        return read_v.transpose(0, 2, 1).reshape(groups * lanes, upper.size)[: self._boards]

    @property
    def limited(self) -> FloatArray:
        """Samples so far at which microphone or preamp was at its limit, shape (boards,)."""
        lanes = self._lanes.shape[2]
        return self._state[:, self._limited : self._limited + lanes].reshape(-1)[: self._boards]


def _in_groups(rows: FloatArray, lanes: int) -> FloatArray:
    """Return rows of shape (numbers, boards) as (groups, numbers, lanes); the last board fills up."""
    full = np.pad(rows, ((0, 0), (0, -rows.shape[1] % lanes)), "edge")
    return np.ascontiguousarray(full.reshape(len(rows), -1, lanes).transpose(1, 0, 2))
