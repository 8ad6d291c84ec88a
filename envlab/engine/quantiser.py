"""From volts at the readings to counts above the quiescent reading: the only place where counts are made."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import converter_numbers
from envlab.digital.quiescent import MARGIN_LSB, LearntQuiescent
from envlab.engine.board import Board
from envlab.units import FloatArray, IntArray


def learnt_zero_counts(board: Board, firmware: Board) -> int:
    """Return what the firmware of one board takes off when it runs on another of the same design, counts.

    It has learnt where that board rests: the firmware's own zero, moved by as many whole counts as the two
    boards' silence lies apart, offsets included, as far as the runtime learns at start.

    Parameters
    ----------
    board
        Whose converter reads.
    firmware
        Whose firmware runs.
    """
    if board is firmware:
        return firmware.quiescent_counts
    most = LearntQuiescent().offset_lsb + MARGIN_LSB
    moved = min(max(_silent_counts(board) - _silent_counts(firmware), -most), most)
    return max(0, firmware.quiescent_counts + int(moved))


def _silent_counts(board: Board) -> int:
    pin_v = board.rectifier.reference_node_v + board.quiescent_state.held_v
    lsb = board.adc_as_built.line_lsb(pin_v) + board.adc.offset_lsb
    # A hair, so that the same share of another reference does not fall below the count by rounding.
    return min(max(math.floor(lsb + 1e-9), 0), board.adc.top_code)


class Quantiser:
    """The converters of some boards, and what their firmware takes off.

    boards: at least one. firmware: whose zero each takes off; one for each board. lanes: shape (boards,),
    which detector's volts each board reads; None: each its own.
    """

    def __init__(
        self, boards: Sequence[Board], firmware: Sequence[Board], lanes: IntArray | None = None
    ) -> None:
        self._lanes = np.arange(len(boards)) if lanes is None else lanes
        self._converters = np.array(
            [
                converter_numbers(
                    board.adc_as_built,
                    reference_node_v=board.rectifier.reference_node_v,
                    zero_counts=learnt_zero_counts(board, runs),
                )
                for board, runs in zip(boards, firmware, strict=True)
            ]
        )

    def counts(self, read_v: FloatArray, noise_lsb: FloatArray) -> NDArray[np.int32]:
        """Return counts above the zero, shape (boards, readings), 32-bit, not negative.

        Parameters
        ----------
        read_v
            Shape (detectors, readings), V above the reference node.
        noise_lsb
            Shape (readings,), the converter's own noise, LSB; the same to all boards.
        """
        from envlab.analog.kernels import adc_kernels

        counts: NDArray[np.int32] = adc_kernels.quantise(
            np.ascontiguousarray(read_v), self._lanes, self._converters, noise_lsb
        )
        return counts

    def without_zero(self) -> Quantiser:
        """Return one whose counts are the converter's own: nothing is taken off."""
        bare = Quantiser.__new__(Quantiser)
        bare._lanes, bare._converters = self._lanes, self._converters.copy()
        bare._converters[:, -1] = 0.0
        return bare
