"""A bank of boards that are built alike: the same parts list, each part a little off.

The nominal board's front is computed once a clip; what a board does differently before its detector is a
gain, an offset, two limits and two slow corners, which cost next to nothing (see spread_kernels). Left out is
that a board's own gain moves the preamp's bandwidth a little; alike_enough says where this is small.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from envlab.analog.bank.detector_bank import bank_of
from envlab.analog.detector import Detector
from envlab.analog.microphone import Microphone, corners_of, overloaded_if_any
from envlab.analog.preamps.preamp import (
    Preamp,
    noise_bandwidth_hz,
    noise_weights_v,
    output_limits,
    sections_of,
)
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.units import BoolArray, FloatArray, IntArray

# Slow voltages are followed once a tile, 1/6000 s: fine enough for corners up to this.
HIGHEST_CORNER_HZ = 200.0
# By how much, as a share, a board's bandwidth may change 10 kHz.
_LARGEST_CHANGE = 0.01
_TOP_HZ = 10e3
# By what share boards of one design hear their preamp's noise otherwise than the design does.
_APART = 0.4


@dataclass(frozen=True)
class Board:
    """What of one board the bank wants to know."""

    microphone: Microphone
    preamp: Preamp
    detector: Detector


def alike_enough(nominal: Board, boards: Sequence[Board]) -> bool:
    """Whether the bank follows these boards closely: plain preamps, low corners, bandwidths far above 10 kHz.

    To be asked of boards with a rectifier that scales with the level, and without a band filter.
    """
    if any(type(one.preamp) is not Preamp for one in (nominal, *boards)):
        return False
    before = abs(1 + 1j * _TOP_HZ / nominal.preamp.bandwidth_hz)
    for one in (nominal, *boards):
        preamp = one.preamp
        if max(preamp.coupling_corner_hz, preamp.ground_corner_hz) > HIGHEST_CORNER_HZ:
            return False
        if abs(before / abs(1 + 1j * _TOP_HZ / preamp.bandwidth_hz) - 1) > _LARGEST_CHANGE:
            return False
    return True


def noise_apart(nominal: Board, lsb_v: float) -> bool:
    """Whether the preamp's own noise must be told apart from what the microphone gives.

    It does not grow with a microphone's sensitivity, and a board with more gain has less bandwidth. Boards
    differ in that by some 40 % (a microphone 3 dB less sensitive); if that share of the noise is less than a
    fiftieth of lsb_v, the ADC's step in V, nobody can tell. The design alone decides, so that boards read
    alike in any company.
    """
    rms_v = nominal.preamp.noise_density_v_per_rthz * math.sqrt(noise_bandwidth_hz(nominal.preamp))
    return _APART * rms_v * nominal.preamp.gain > 0.02 * lsb_v


def _own_noise(nominal: Board, one: Board) -> float:
    """How much more of the preamp's noise, as a share, a board has than its loudness says."""
    bandwidths = noise_bandwidth_hz(one.preamp) / noise_bandwidth_hz(nominal.preamp)
    return math.sqrt(bandwidths) / _louder(nominal, one) - 1


def _louder(nominal: Board, one: Board) -> float:
    return _loaded_v_pa(one) / _loaded_v_pa(nominal)


def _loaded_v_pa(one: Board) -> float:
    """Volts per pascal with the preamp's input on the microphone's output."""
    input_ohm = one.preamp.input_ohm
    return one.microphone.sensitivity_v_pa * input_ohm / (input_ohm + one.microphone.output_ohm)


@dataclass(frozen=True, eq=False)
class BoardBlock:
    """One block of the nominal board, arrays of shape (n,) at the internal rate.

    free_v: preamp's output before offset and limits, V round bias. quick_v: the same without its bandwidth,
    from which it leaves a limit. lacks_v: what the limits take of it, V.
    noise_v: the part of it that is its own noise, or no samples if that need not be told apart. heard_v:
    microphone, with that noise, V. over: 1 where the microphone could not follow, else 0.
    """

    free_v: FloatArray
    quick_v: FloatArray
    lacks_v: FloatArray
    noise_v: FloatArray
    heard_v: FloatArray
    over: FloatArray


class SpreadBank:
    """Carries the state of its boards from block to block; all begin at rest."""

    def __init__(
        self,
        nominal: Board,
        boards: Sequence[Board],
        rectifier: Rectifier,
        sample_rate_hz: float,
    ) -> None:
        from envlab.analog.kernels import tolerance_kernels as spread_kernels

        detectors = bank_of(tuple(one.detector for one in boards), sample_rate_hz)
        own = own_rows(nominal, boards, sample_rate_hz)
        self._board = detectors.detector
        rows = own[:, self._board].transpose(1, 0, 2)
        self._lanes = np.ascontiguousarray(np.concatenate((detectors.lanes, rows[:, 1:]), axis=1))
        self._lanes[:, spread_kernels.ROWS.index("charge_gain")] *= rows[:, 0]
        width = self._lanes.shape[2]
        self._state = np.zeros((self._lanes.shape[0], spread_kernels.STATES * width))
        # Volts are over a board's own gain here; its offset is what holds the detector in silence.
        self._state[:, :width] = detectors.start(_held_at_rest_v(boards, rectifier) / own[0])
        self._full = rectifier.kind == "full"

    def read(
        self, block: BoardBlock, upper: IntArray, fraction: FloatArray, pool: ThreadPoolExecutor, workers: int
    ) -> FloatArray:
        """Return V above the reference node, shape (boards, readings); blocks in their order.

        Blocks and upper, fraction as for read_bank: every block but the last a multiple of BLOCK_MULTIPLE.
        """
        from envlab.analog.kernels import tolerance_kernels as spread_kernels

        read_v = np.empty((int(self._board.max()) + 1, upper.size))
        groups = self._lanes.shape[0]
        portion = -(-groups // workers)
        nominal_v = block.free_v, block.quick_v, block.lacks_v

        def run(part: slice) -> None:
            spread_kernels.follow_boards(
                nominal_v, block.noise_v, block.heard_v, block.over, self._lanes[part], self._board[part],
                self._full, self._state[part], upper, fraction, read_v,
            )  # fmt: skip

        list(pool.map(run, [slice(first, first + portion) for first in range(0, groups, portion)]))
        return read_v

    @property
    def limited(self) -> FloatArray:
        """Samples so far at which microphone or preamp was at its limit, shape (boards,)."""
        lanes = self._board.shape[1]
        limited = np.empty(int(self._board.max()) + 1)
        limited[self._board] = self._state[:, 5 * lanes : 6 * lanes]
        return limited


class NominalFront:
    """The nominal preamp without offset and limits, on signal and noise; begins at rest.

    noise_apart: whether its own noise is told apart.
    """

    def __init__(self, preamp: Preamp, sample_rate_hz: float, noise_apart: bool) -> None:
        self._limits = output_limits(preamp, sample_rate_hz)
        self._sections = sections_of(preamp, sample_rate_hz)
        self._noise_apart = noise_apart
        self._signal, self._noise = np.zeros(4), np.zeros(3)

    def block(self, heard_v: FloatArray, noise_v: FloatArray, overloaded: BoolArray) -> BoardBlock:
        """Return the next block of the nominal board, shape (n,) each.

        heard_v: microphone, V. noise_v: the noise at the preamp's input, V, or no samples without noise.
        overloaded: samples that the microphone could not follow.
        """
        with_noise_v = heard_v + noise_v if noise_v.size else heard_v
        front_v, noise = self._follow(with_noise_v, noise_v)
        return BoardBlock(*front_v, noise, with_noise_v, overloaded.astype(np.float64))

    def _follow(
        self, heard_v: FloatArray, noise_v: FloatArray
    ) -> tuple[tuple[FloatArray, FloatArray, FloatArray], FloatArray]:
        from envlab.analog.kernels import front_kernels

        free_v, quick_v, lacks_v, self._signal = front_kernels.amplify_apart(
            heard_v, self._limits, *self._sections, self._signal
        )
        if not (self._noise_apart and noise_v.size):
            return (free_v, quick_v, lacks_v), np.empty(0)
        endless = (0.0, -math.inf, math.inf, 0.0, 0.0)
        noise, self._noise, _ = front_kernels.amplify_block(noise_v, endless, *self._sections, self._noise)
        return (free_v, quick_v, lacks_v), noise


class HeardFront:
    """A microphone that is bare (engine/one_pass.py) and the nominal preamp in one pass; begins at rest.

    What NominalFront makes behind the microphone, digit for digit, where the noise is not told apart.
    """

    def __init__(self, microphone: Microphone, preamp: Preamp, sample_rate_hz: float) -> None:
        self._microphone = microphone
        self._numbers = (
            noise_weights_v(preamp, sample_rate_hz),
            (*microphone.limits_pa, microphone.sensitivity_v_pa),
            corners_of(microphone, sample_rate_hz),
            output_limits(preamp, sample_rate_hz),
            sections_of(preamp, sample_rate_hz),
        )
        self._state = np.zeros(6)

    def block(self, pressure_pa: FloatArray, white: FloatArray) -> BoardBlock:
        """Return the next block of the nominal board, shape (n,) each.

        pressure_pa: shape (n,), Pa. white: shape (n + 1,), as input_noise_v takes it, or none without noise.
        """
        from envlab.analog.kernels import front_kernels

        heard_v, free_v, quick_v, lacks_v, self._state = front_kernels.hear_amplify_apart(
            pressure_pa, white, *self._numbers, self._state
        )
        overloaded = overloaded_if_any(pressure_pa, self._microphone)
        over = np.zeros(pressure_pa.size) if overloaded is None else overloaded.astype(np.float64)
        return BoardBlock(free_v, quick_v, lacks_v, np.empty(0), heard_v, over)


def _held_at_rest_v(boards: Sequence[Board], rectifier: Rectifier) -> FloatArray:
    offset_v = np.array([one.preamp.output_offset_v for one in boards])
    return np.asarray(rectify(offset_v, rectifier) * np.array([one.detector.divider for one in boards]))


def own_rows(nominal: Board, boards: Sequence[Board], sample_rate_hz: float) -> FloatArray:
    """The gain over the nominal board's, then spread_kernels.ROWS from "noise" on; shape (rows, boards)."""
    from envlab.analog.kernels.lane_kernels import TILE

    tile_s = TILE / sample_rate_hz

    def taken(corner_hz: float) -> float:
        return -math.expm1(-2 * math.pi * corner_hz * tile_s)

    base = nominal.preamp
    rows = []
    for one in boards:
        preamp, sensitivity = one.preamp, _louder(nominal, one)
        ratio = preamp.gain / base.gain * sensitivity
        low_v, high_v = -preamp.swing_down_v / ratio, preamp.swing_up_v / ratio
        noise = _own_noise(nominal, one)
        rows.append(
            (
                ratio,
                noise,
                abs(noise),
                preamp.output_offset_v / ratio,
                low_v,
                high_v,
                min(-low_v, high_v),
                taken(preamp.coupling_corner_hz),
                taken(preamp.ground_corner_hz),
                taken(base.coupling_corner_hz),
                taken(base.ground_corner_hz),
                base.gain,
                1 - 1 / preamp.gain,
                1 - 1 / base.gain,
            )
        )
    return np.array(rows).T
