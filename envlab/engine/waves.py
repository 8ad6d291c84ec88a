"""The sound as the boards meet it: the wave between the samples, with the noise of parts, block by block."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from envlab.analog.microphone import self_noise_pa
from envlab.analog.noise import NoiseStreams, fill_normal
from envlab.engine.board import Board
from envlab.sound.interpolate import interpolated_pieces
from envlab.sound.stream import Sound
from envlab.units import FloatArray

BLOCK = 65_536
# Blocks that are made ready before they are wanted: while one is in use, what it leaves idle makes the next.
AHEAD = 2

_Block = TypeVar("_Block")


@dataclass(frozen=True, eq=False)
class Wave:
    """One block at the internal rate: pressure, Pa, shape (n,), with the microphone's own noise.

    start: index of its first sample. white: what the stages behind the microphone make their noise of, normal
    numbers, shape (n + 1,), the first of them the last of the block before; no numbers without noise.
    """

    start: int
    pressure_pa: FloatArray
    white: FloatArray

    @property
    def end(self) -> int:
        """Index after its last sample."""
        return self.start + self.pressure_pa.size


def waves(sound: Sound, board: Board, noise: NoiseStreams | None) -> Iterator[Wave]:
    """Yield the sound in blocks of BLOCK samples, the last one shorter.

    Parameters
    ----------
    sound
        What sounds at the microphone.
    board
        Whose microphone makes the noise.
    noise
        Streams to draw it from; None: no noise.
    """
    heard, rate_hz = _heard(sound, board, noise), sound.sample_rate_hz
    white, least_hz = WhiteNoise(noise), sound.internal_rate_min_hz
    for start, fine_pa in interpolated_pieces(heard, sound.samples, rate_hz, BLOCK, least_hz):
        yield Wave(start, fine_pa, white.next(fine_pa.size))


def made_ahead(blocks: Iterator[_Block], thread: Executor) -> Iterator[_Block]:
    """Yield blocks in their order, of which a thread makes up to AHEAD while the one before is in use.

    Parameters
    ----------
    blocks
        None of them is None.
    thread
        With one worker, so that it makes one block after the other.
    """
    coming = deque(thread.submit(next, blocks, None) for _ in range(1 + AHEAD))
    while (block := coming.popleft().result()) is not None:
        yield block
        # Before another one is begun, so that memory does not hang on who is quicker.
        del block
        coming.append(thread.submit(next, blocks, None))


class WhiteNoise:
    """Hands out the normal numbers of the stages behind the microphone, block by block."""

    def __init__(self, noise: NoiseStreams | None) -> None:
        self._stream = None if noise is None else noise.preamp
        self._last = 0.0 if noise is None else float(noise.preamp.standard_normal())

    def next(self, samples: int) -> FloatArray:
        """Return the next ones, shape (samples + 1,), or none without noise."""
        if self._stream is None:
            return np.empty(0)
        white = np.empty(samples + 1)
        white[0] = self._last
        fill_normal(self._stream, white[1:])
        self._last = float(white[-1])
        return white


def _heard(sound: Sound, board: Board, noise: NoiseStreams | None) -> Iterator[FloatArray]:
    for piece in sound.pieces():
        if noise is None:
            yield piece
        else:
            yield piece + self_noise_pa(board.microphone, piece.size, sound.sample_rate_hz, noise.microphone)
