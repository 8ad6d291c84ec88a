"""One board with the signal behind every stage, block by block; and the same down to its light."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count, read_between
from envlab.analog.envelope import hold_rectified, offered_v
from envlab.analog.noise import NoiseStreams
from envlab.engine.board import Board, front_end_of
from envlab.engine.front_end import PIECE, FrontEnd, front_end, in_groups
from envlab.engine.light_path import Light, light_of_counts
from envlab.engine.one_pass import HearToHold, pass_to_hold
from envlab.engine.quantiser import Quantiser
from envlab.engine.reading_schedule import Due, every_reading
from envlab.engine.waves import Wave, waves
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class NodeBlock:
    """Analog nodes of one block, arrays of shape (n,) at the internal rate; start: index of the first sample.

    nodes: name of a stage → the signal behind it, V round the bias; behind the last one, and held_v: V above
    the reference node. held_v[i] is stamped half a period after sample start + i; before_v: what was held
    before the first of them. limited: samples at which a stage was at its limit.
    """

    start: int
    pressure_pa: FloatArray
    nodes: Mapping[str, FloatArray]
    held_v: FloatArray
    before_v: float
    limited: int

    @property
    def microphone_v(self) -> FloatArray:
        """The microphone's output, V."""
        return self.nodes["microphone"]

    @property
    def preamp_v(self) -> FloatArray:
        """The preamp's output, V round its bias."""
        return self.nodes["preamp"]

    @property
    def rectified_v(self) -> FloatArray:
        """What the detector is offered, V above the reference node."""
        return self.nodes["rectifier"]


class _InOnePass:
    """The commonest board, every sample of it in one loop."""

    def __init__(self, names: list[list[str]], stages: HearToHold, held_v: float) -> None:
        self._names, self._stages, self._held_v = names, stages, held_v

    def follow(self, start: int, pressure_pa: FloatArray, white: FloatArray) -> NodeBlock:
        signals, limited = self._stages.advance(pressure_pa, white)
        nodes = {
            name: behind for some, behind in zip(self._names, signals[:-1], strict=True) for name in some
        }
        before_v, self._held_v = self._held_v, float(signals[-1][-1])
        count = 0 if limited is None else int(np.count_nonzero(limited))
        return NodeBlock(start, pressure_pa, nodes, signals[-1], before_v, count)


class _StageByStage:
    """Any board."""

    def __init__(self, board: Board, front: FrontEnd, rate_hz: float) -> None:
        self._board, self._front, self._rate_hz = board, front, rate_hz
        self._detector, self._state = board.detector_as_built, board.quiescent_state
        self._rectifier = board.rectifier_as_built
        self._last = list(front_end_of(board))[-1]

    def follow(self, start: int, pressure_pa: FloatArray, white: FloatArray) -> NodeBlock:
        done, before = self._front.advance(pressure_pa, None, white), self._state
        drive_v = done.nodes[self._last]
        held_v, self._state = hold_rectified(
            drive_v, self._rectifier, self._detector, sample_rate_hz=self._rate_hz, state=before
        )
        rectified_v = offered_v(drive_v, self._rectifier, sample_rate_hz=self._rate_hz, state=before)
        nodes = {**done.nodes, self._last: rectified_v}
        return NodeBlock(start, pressure_pa, nodes, held_v, before.held_v, done.limited_samples)


def node_blocks(board: Board, told: Iterator[Wave], rate_hz: float) -> Iterator[NodeBlock]:
    """Yield a board's analog nodes, at the internal rate; the blocks joined are the whole.

    Parameters
    ----------
    board
        The board, at rest.
    told
        The sound, as waves gives it.
    rate_hz
        Internal rate, Hz.
    """
    names, working = in_groups(front_end_of(board))
    held_v = board.quiescent_state.held_v
    stages = pass_to_hold(working, board.detector_as_built, rate_hz, held_v)
    follower: _InOnePass | _StageByStage
    if stages is not None:
        follower = _InOnePass(names, stages, held_v)
    else:
        follower = _StageByStage(board, front_end(board, rate_hz), rate_hz)
    for wave in told:
        for first in range(0, wave.pressure_pa.size, PIECE):
            white = wave.white[first : first + PIECE + 1]
            yield follower.follow(wave.start + first, wave.pressure_pa[first : first + PIECE], white)


@dataclass(frozen=True, eq=False)
class ReadBlock:
    """nodes: of one block. held_v, adc_counts: shape (readings,), what is held and read at its readings."""

    nodes: NodeBlock
    held_v: FloatArray
    adc_counts: NDArray[np.int32]


def read_blocks(board: Board, sound: Sound, noise: NoiseStreams | None = None) -> Iterator[ReadBlock]:
    """Yield a board's nodes and readings on a sound, block by block; all readings of the sound are there."""
    rate_hz = sound.internal_rate_hz
    due = Due(
        every_reading(instant_count(sound.duration_s, board.adc.rate_hz)),
        board.adc,
        round(sound.duration_s * rate_hz),
        rate_hz,
        None if noise is None else noise.adc,
    )
    quantiser = Quantiser([board], [board]).without_zero()
    for block in node_blocks(board, waves(sound, board, noise), rate_hz):
        at = due.before(block.start, block.start + block.held_v.size)
        held_v = read_between(block.before_v, block.held_v, at.upper, at.fraction)
        yield ReadBlock(block, held_v, quantiser.counts(held_v[np.newaxis], at.noise_lsb)[0])


@dataclass(frozen=True, eq=False)
class Played:
    """One board's readings on a sound.

    held_v: shape (readings,), V above the reference node. adc_counts: shape (readings,), whole counts.
    light: of all frames.
    """

    held_v: FloatArray
    adc_counts: IntArray
    light: Light


class Player:
    """Plays a sound to one board: its nodes block by block, and then what its firmware made of them."""

    def __init__(self, board: Board, sound: Sound, noise: NoiseStreams | None = None) -> None:
        self._board, self._sound, self._noise = board, sound, noise
        self.rate_hz = sound.internal_rate_hz
        self.samples = round(sound.duration_s * self.rate_hz)
        self.readings = instant_count(sound.duration_s, board.adc.rate_hz)
        self._held_v, self._counts = np.empty(self.readings), np.empty(self.readings, dtype=np.int64)

    def blocks(self) -> Iterator[NodeBlock]:
        """Yield the analog nodes, in pieces; to be gone through once, to the end."""
        done = 0
        for read in read_blocks(self._board, self._sound, self._noise):
            some = slice(done, done + read.adc_counts.size)
            self._held_v[some], self._counts[some] = read.held_v, read.adc_counts
            done = some.stop
            yield read.nodes

    def played(self) -> Played:
        """Return readings and light, once all blocks have gone by."""
        frames = instant_count(self._sound.duration_s, self._board.frame_rate_hz)
        above_zero = np.maximum(self._counts - self._board.quiescent_counts, 0)
        light = light_of_counts(self._board, above_zero, self._board.brightness_table(), range(frames))
        return Played(self._held_v, self._counts, light)
