"""The sound as the boards meet it: the wave between the samples, with the noise of parts, block by block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from envlab.analog.microphone import self_noise_pa
from envlab.analog.noise import NoiseStreams
from envlab.analog.preamp import input_noise_v
from envlab.engine.board import Board
from envlab.sound.interpolate import interpolated_pieces
from envlab.sound.stream import Sound
from envlab.units import FloatArray

BLOCK = 65_536


@dataclass(frozen=True, eq=False)
class Wave:
    """One block at the internal rate, shape (n,): pressure, Pa; the preamp's own noise, V.

    start: index of its first sample. noise_v: no samples where it is not told apart; the pressure then has it
    as the board that lends the noise hears it.
    """

    start: int
    pressure_pa: FloatArray
    noise_v: FloatArray

    @property
    def end(self) -> int:
        """Index after its last sample."""
        return self.start + self.pressure_pa.size

    def offered_pa(self, sensitivity_v_pa: float) -> FloatArray:
        """Return the pressure into a microphone whose preamp adds the noise, shape (n,), Pa."""
        return self.pressure_pa + self.noise_v / sensitivity_v_pa if self.noise_v.size else self.pressure_pa


def waves(sound: Sound, board: Board, noise: NoiseStreams | None, *, apart: bool = False) -> Iterator[Wave]:
    """Yield the sound in blocks of BLOCK samples, the last one shorter.

    Parameters
    ----------
    sound
        What sounds at the microphone.
    board
        Whose parts make the noise.
    noise
        Streams to draw it from; None: no noise.
    apart
        Whether the preamp's noise comes by itself, so that boards of other sensitivity hear it rightly.
    """
    told_apart = apart and noise is not None
    rate_hz, count = sound.sample_rate_hz, sound.samples
    added: Iterator[tuple[int, FloatArray]] | None = None
    if noise is not None and told_apart:
        added = interpolated_pieces(_of_preamp(sound, board, noise), count, rate_hz, BLOCK)
    for start, fine_pa in interpolated_pieces(_heard(sound, board, noise, told_apart), count, rate_hz, BLOCK):
        yield Wave(start, fine_pa, np.empty(0) if added is None else next(added)[1])


def _heard(sound: Sound, board: Board, noise: NoiseStreams | None, apart: bool) -> Iterator[FloatArray]:
    for piece in sound.pieces():
        if noise is None:
            yield piece
        elif apart:
            yield piece + self_noise_pa(board.microphone, piece.size, sound.sample_rate_hz, noise.microphone)
        else:
            yield piece + board.noise_pa(piece.size, sound.sample_rate_hz, noise)


def _of_preamp(sound: Sound, board: Board, noise: NoiseStreams) -> Iterator[FloatArray]:
    for piece in sound.pieces():
        yield input_noise_v(board.preamp, piece.size, sound.sample_rate_hz, noise.preamp)
