"""One clip through many boards of one design: what each board's firmware makes of its readings.

Every board runs the nominal design's firmware: its table, its zero, its follower. All hear the same noise, so
that boards differ by their parts alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.engine.followed_envelopes import way_to
from envlab.engine.play import Reader, play
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class BoardReadings:
    """What many boards read.

    envelope_counts: shape (boards, readings), counts above the nominal zero, followed. clipped_share: shape
    (boards,), share of internal samples at which a stage before the detector was at its limit.
    """

    envelope_counts: FloatArray
    clipped_share: FloatArray


def read_boards(
    sound: Sound,
    nominal: Chain,
    boards: Sequence[Chain],
    reading_index: IntArray,
    *,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    one_by_one: bool = False,
    progress: Callable[[float], None] | None = None,
) -> BoardReadings:
    """Return what each board's firmware makes of the readings named, followed.

    nominal, boards: at least one board; the boards differ from nominal in part values, not in kind.
    reading_index: rising whole numbers, shape (readings,); 0 is the reading at time 0. seed, workers,
    progress: as engine.play. one_by_one: exactly, whatever the boards are.
    """
    readings, reader = way_to(sound, [nominal], reading_index)
    counts = np.empty((len(boards), reading_index.size))

    def reader_of(places: IntArray) -> Reader:
        return reader(counts, places, [nominal] * places.size, reading_index)

    share = play(
        sound, boards, readings, reader_of,
        design=nominal, exactly=one_by_one, seed=seed, workers=workers, progress=progress,
    )  # fmt: skip
    return BoardReadings(counts, share)
