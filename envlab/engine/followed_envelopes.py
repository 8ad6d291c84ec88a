"""What the firmware makes of many chains' readings: the envelope behind each chain's follower."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count
from envlab.digital.followers import Follower, PassThrough, follow
from envlab.engine.board import Board
from envlab.engine.play import Reader, play
from envlab.engine.reading_schedule import Named, Wanted, every_reading, wanted
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray

# Readings that are followed at once, so that an evening's are not there in 64 bit.
_AT_ONCE = 1 << 18


def read_envelopes(
    recording: Sound,
    chains: Sequence[Board],
    reading_index: IntArray,
    *,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return (envelope counts above quiescent at the readings named, clipped share), rows as the chains.

    Shapes (chains, readings) and (chains,). reading_index: rising. Arguments as read_chains. A follower sees
    every reading, so only where no chain has one are the readings between left out.
    """
    envelopes = np.empty((len(chains), reading_index.size))
    readings, reader = way_to(recording, chains, reading_index)

    def reader_of(places: IntArray) -> Reader:
        return reader(envelopes, places, [chains[place] for place in places], reading_index)

    clipped_share = play(
        recording, chains, readings, reader_of, seed=seed, workers=workers, progress=progress
    )
    return envelopes, clipped_share


def way_to(
    sound: Sound, chains: Sequence[Board], reading_index: IntArray
) -> tuple[Wanted, type[AsRead] | type[Followed]]:
    """Return which readings must be taken for those at reading_index, and what makes envelopes of them.

    The latter is called with (envelopes, places, chains, reading_index): envelopes, shape (rows, readings at
    reading_index), counts above quiescent, is set block by block; places: whose rows these chains have.
    """
    if all(isinstance(chain.follower, PassThrough) for chain in chains):
        return wanted(reading_index), AsRead
    return every_reading(instant_count(sound.duration_s, chains[0].adc.rate_hz)), Followed


class FollowedReadings:
    """Follows every reading of some chains with one follower, and gives those that are asked for."""

    def __init__(self, follower: Follower, rate_hz: float, asked: Wanted) -> None:
        """rate_hz: of the readings. asked: which of them."""
        self._follower, self._rate_hz = follower, rate_hz
        self._asked, self._done = Named(asked), 0
        self._state: FloatArray | None = None

    def after(self, counts: NDArray[np.int32]) -> FloatArray:
        """Return (chains, asked) envelope counts of the next readings, counts (chains, readings)."""
        followed, self._state = follow(
            counts.astype(np.float64), self._follower, rate_hz=self._rate_hz, state=self._state
        )
        first, self._done = self._done, self._done + counts.shape[1]
        return followed[:, self._asked.before(self._done) - first]


def envelope_of_readings(board: Board, adc_counts: NDArray[Any], reading_index: IntArray) -> FloatArray:
    """Return the envelope at the readings named, shape (readings named,): counts above quiescent.

    What read_envelopes gives of the same readings. adc_counts: all that the board's converter read, shape
    (readings,), whole counts, nothing taken off. reading_index: rising.
    """
    if isinstance(board.follower, PassThrough):
        return _above_zero(board, adc_counts[reading_index]).astype(np.float64)
    follows = FollowedReadings(board.follower, board.adc.rate_hz, wanted(reading_index))
    parts = (adc_counts[first : first + _AT_ONCE] for first in range(0, adc_counts.size, _AT_ONCE))
    return np.concatenate([follows.after(_above_zero(board, part)[np.newaxis])[0] for part in parts])


def _above_zero(board: Board, adc_counts: NDArray[Any]) -> NDArray[np.int32]:
    above: NDArray[np.int32] = adc_counts.astype(np.int32) - np.int32(board.quiescent_counts)
    return np.maximum(above, 0)


class AsRead:
    """Writes what some chains read into the rows of all."""

    def __init__(
        self, envelopes: FloatArray, places: IntArray, chains: Sequence[Board], reading_index: IntArray
    ) -> None:
        """See way_to."""
        del chains, reading_index
        self._envelopes, self._places, self._done = envelopes, places, 0

    def take(self, counts: NDArray[np.int32]) -> None:
        """See play.Reader."""
        after = self._done + counts.shape[1]
        self._envelopes[self._places, self._done : after] = counts
        self._done = after


class Followed:
    """Follows every reading of some chains, and writes those that are asked for into the rows of all."""

    def __init__(
        self, envelopes: FloatArray, places: IntArray, chains: Sequence[Board], reading_index: IntArray
    ) -> None:
        """See way_to."""
        self._envelopes, self._index, self._done = envelopes, reading_index, 0
        self._rate_hz = chains[0].adc.rate_hz
        rows: dict[Follower, list[int]] = {}
        for row, chain in enumerate(chains):
            rows.setdefault(chain.follower, []).append(row)
        self._groups = [(follower, np.array(some), places[some]) for follower, some in rows.items()]
        self._states: list[FloatArray | None] = [None] * len(self._groups)

    def take(self, counts: NDArray[np.int32]) -> None:
        """See play.Reader."""
        after = self._done + counts.shape[1]
        asked = slice(*np.searchsorted(self._index, (self._done, after)))
        for number, (follower, rows, places) in enumerate(self._groups):
            followed, self._states[number] = follow(
                counts[rows].astype(np.float64), follower, rate_hz=self._rate_hz, state=self._states[number]
            )
            self._envelopes[places, asked] = followed[:, self._index[asked] - self._done]
        self._done = after
