"""Boards of one design whose rectifiers have amplifiers: each its own front end, half waves and capacitor.

The front end is that of tolerance_bank; what stands behind it is computed for each board in full, as
rectifiers.half_wave_circuit does it for one (see half_wave_board_kernels).
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from envlab.analog.bank.detector_bank import bank_of
from envlab.analog.bank.half_wave_bank import bleeding_for, far_pieces, what_is_taken
from envlab.analog.bank.tolerance_bank import Board, BoardBlock, own_rows
from envlab.analog.detector import Detector, drawn_a
from envlab.analog.envelope import HoldState, half_wave_states
from envlab.analog.rectifiers.half_wave_circuit import (
    both_ways,
    coupling_numbers,
    first_numbers,
    holding_numbers,
    side_numbers,
)
from envlab.analog.rectifiers.half_waves import HalfWaves
from envlab.units import FloatArray, IntArray, SingleArray

_LINE_BYTES = 64
Numbers = TypeVar("Numbers", FloatArray, SingleArray)
# Coupling capacitor, first amplifier with two diodes, one amplifier for both half waves, which only gives.
Kind = tuple[bool, bool, bool, bool]


@dataclass(frozen=True)
class AmplifierBoard:
    """What of one board the bank wants to know; built: its rectifier. start: what it holds in silence."""

    front: Board
    built: HalfWaves
    start: HoldState


def kind_of(built: HalfWaves) -> Kind:
    """Return what boards must have in common to run side by side."""
    return built.coupling_farad is not None, built.first is not None, built.joined, built.only_gives


class HalfWaveSpreadBank:
    """Carries the state of its boards from block to block; all begin in silence.

    boards: at least one, all of one kind_of.
    """

    def __init__(self, nominal: Board, boards: Sequence[AmplifierBoard], sample_rate_hz: float) -> None:
        from envlab.analog.kernels.half_waves import half_wave_front_kernels as kernels

        fronts = [one.front for one in boards]
        holding = [_holding(one) for one in boards]
        detectors = bank_of(tuple(holding), sample_rate_hz)
        self._board, self._kind = detectors.detector, kind_of(boards[0].built)
        ratio, *front = own_rows(nominal, fronts, sample_rate_hz)
        steps, rest = _step_numbers(boards, sample_rate_hz), _half_wave_rows(boards, sample_rate_hz)

        def in_groups(numbers: FloatArray) -> FloatArray:
            return numbers[:, self._board].transpose(1, 0, 2)

        own = in_groups(np.vstack((*front, ratio, rest)))
        self._lanes = _in_line(np.concatenate((detectors.lanes, own), axis=1))
        sides = rest[7 : 7 + 8]
        self._rows = _in_line(in_groups(np.vstack((steps, ratio, *front[:2], sides))).astype(np.float32))
        assert self._lanes.shape[1] == len(kernels.ROWS)
        state = np.zeros((self._lanes.shape[0], kernels.STATES, self._lanes.shape[2]))
        held = np.array([_states(one) for one in boards]).T[:, self._board]
        state[:, 0] = held[0]
        state[:, 1 - len(held) :] = held[1:].transpose(1, 0, 2)
        self._limited = kernels.LIMITED
        self._state = _in_line(state.reshape(len(state), -1))

    def read(
        self, block: BoardBlock, upper: IntArray, fraction: FloatArray, pool: ThreadPoolExecutor, workers: int
    ) -> FloatArray:
        """Return V above the reference node, shape (boards, readings); blocks in their order.

        Blocks and upper, fraction as for read_bank: every block but the last a multiple of BLOCK_MULTIPLE.
        """
        from envlab.analog.kernels.half_waves import half_wave_board_kernels as kernels
        from envlab.analog.kernels.half_waves import half_wave_front_kernels as front_kernels

        read_v = np.empty((int(self._board.max()) + 1, upper.size))
        groups = self._lanes.shape[0]
        portion = -(-groups // workers)

        signals = block.free_v, block.quick_v, block.noise_v, block.over
        singles = block.free_v.astype(np.float32), block.noise_v.astype(np.float32)

        def run(part: slice) -> None:
            room = np.zeros(front_kernels.ROOM)
            kernels.follow_half_wave_boards(
                signals, singles, block.lacks_v, block.heard_v, self._lanes[part], self._rows[part],
                self._board[part], self._kind, self._state[part],
                (_in_line(room), _in_line(room.astype(np.float32))), upper, fraction, read_v,
            )  # fmt: skip

        list(pool.map(run, [slice(first, first + portion) for first in range(0, groups, portion)]))
        return read_v

    @property
    def limited(self) -> FloatArray:
        """Samples so far at which microphone or preamp was at its limit, shape (boards,)."""
        lanes = self._board.shape[1]
        limited = np.empty(int(self._board.max()) + 1)
        limited[self._board] = self._state[:, self._limited : self._limited + lanes]
        return limited


def _in_line(numbers: Numbers) -> Numbers:
    """Return a copy of which every vector register's load stays within one line of the cache.

    A loop that keeps its numbers in memory takes 15 % less time then, measured.
    """
    line = _LINE_BYTES // numbers.itemsize
    room = np.empty(numbers.size + line, numbers.dtype)
    first = -(room.ctypes.data // numbers.itemsize) % line
    copy = room[first : first + numbers.size].reshape(numbers.shape)
    copy[...] = numbers
    return copy


def _holding(one: AmplifierBoard) -> Detector:
    return both_ways(one.built, one.front.detector) or one.front.detector


def _states(one: AmplifierBoard) -> tuple[float, ...]:
    """Held voltage, outputs of both amplifiers, coupling capacitor, output of the first one; V."""
    (across_v, first_v), held = half_wave_states(one.built, one.start)
    return (*held[:3].tolist(), float(across_v), float(first_v))


def _step_numbers(boards: Sequence[AmplifierBoard], sample_rate_hz: float) -> FloatArray:
    """Return half_wave_bleed_kernels.STEPS, shape (rows, boards); zeros where resistors lead both ways."""
    from envlab.analog.kernels.half_waves.half_wave_bleed_kernels import STEPS

    if not boards[0].built.only_gives:
        return np.zeros((len(STEPS), len(boards)))
    steps = np.array([holding_numbers(one.front.detector, one.built, sample_rate_hz) for one in boards])
    return np.hstack((steps, what_is_taken(steps))).T


def _half_wave_rows(boards: Sequence[AmplifierBoard], sample_rate_hz: float) -> FloatArray:
    """Return half_wave_front_kernels.ROWS from "lifted" on, shape (rows, boards)."""
    from envlab.analog.kernels.half_waves.half_wave_bleed_kernels import LONG
    from envlab.analog.kernels.half_waves.half_wave_kernels import TILE

    rows = []
    for one in boards:
        built, detector = one.built, one.front.detector
        lifted, pieces = 0.0, [0.0] * 6
        average = both_ways(built, detector)
        if average is not None:
            # What is drawn from the capacitor comes through the resistor.
            lifted = average.smoothing_ohm * drawn_a(average)
        if built.only_gives:
            numbers = holding_numbers(detector, built, sample_rate_hz)[np.newaxis]
            lifted = float(numbers[0, -1])
            of_pieces = (bleeding_for(numbers[:, 2], TILE), far_pieces(numbers, 1), far_pieces(numbers, LONG))
            pieces = [float(one[0]) for some in of_pieces for one in some]
        first = np.zeros(5) if built.first is None else first_numbers(built, built.first, sample_rate_hz)
        sides, coupling = side_numbers(built), coupling_numbers(built, sample_rate_hz)
        rows.append((lifted, *pieces, *sides, *coupling, *first))
    return np.array(rows).T
