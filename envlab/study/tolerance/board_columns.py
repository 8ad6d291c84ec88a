"""One sound through many boards, each with the firmware of a design: a metric's value for each board.

Definitions are those of the sweep, as metrics_of_clip has them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count
from envlab.chain import Chain
from envlab.engine.play import Reader, play
from envlab.engine.side_by_side import run_side_by_side
from envlab.light.table import LookupTable
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.clip_metrics import ClipColumns, envelope_columns
from envlab.metrics.metrics_of_clip import (
    AT_ONCE,
    METRICS_OF_A_CLIP,
    better_kept,
    kept_together,
    look_again,
    together,
    two_turns,
)
from envlab.metrics.streaming_metrics import CountedFrames, most_flashes, ranked_of, readings_for
from envlab.sound.stream import Sound
from envlab.study.tolerance.board_run import read_boards
from envlab.units import FloatArray, IntArray

Columns = dict[str, FloatArray]
Enough = Callable[[float, IntArray], bool]


def columns_on_sound(
    sound: Sound,
    boards: Sequence[Chain],
    firmware: Sequence[Chain],
    tables: Sequence[LookupTable],
    *,
    seed: tuple[int, ...],
    workers: int,
    one_by_one: bool = False,
    report: Callable[[float], None] | None = None,
    enough: Enough | None = None,
) -> Columns:
    """Return the columns of a sound for each board, shape (boards,), as metrics_of_clip.clip_columns.

    firmware, tables: the design that each board is of, and its table. The designs differ in nothing but
    detectors that rest at the same count: all then hear one front end's noise and have one zero. Memory does
    not grow with the clip but by 4 bytes a second and board: more boards than fit hear it in turns.

    enough: called as the sound goes by with how much was heard, s, and the most flashes in any second of it,
    shape (boards,); where it says so the rest is not heard, and flashes_per_s so far is the only column. Not
    asked where boards hear in turns or twice, keep their frames or do not run side by side.
    """
    design, tell = firmware[0], report or _ignore
    if enough is not None and (one_by_one or not run_side_by_side(design, boards, sound)):
        enough = None
    frames = instant_count(sound.duration_s, design.frame_rate_hz)
    kept = better_kept([design], frames, tables=0) or two_turns(firmware, frames)
    judge = _judge_kept if kept else _judge_counted
    portion = kept_together(design, frames) if kept else together([design], frames, tables=0)
    parts = []
    for first in range(0, len(boards), portion):
        some = slice(first, first + portion)

        def tell_of(share: float, first: int = first, size: int = len(boards[some])) -> None:
            tell((first + share * size) / len(boards))

        heard = _Hearing(
            sound,
            boards[some],
            firmware[some],
            tables[some],
            frames,
            None if len(boards) > portion else enough,
        )
        parts.append(judge(heard, one_by_one, seed, workers, tell_of))
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


@dataclass(frozen=True, eq=False)
class _Hearing:
    """Boards that hear a sound together; frames: of all of it; enough: as columns_on_sound."""

    sound: Sound
    boards: Sequence[Chain]
    firmware: Sequence[Chain]
    tables: Sequence[LookupTable]
    frames: int
    enough: Enough | None


def _judge_kept(
    heard: _Hearing,
    one_by_one: bool,
    seed: tuple[int, ...],
    workers: int,
    report: Callable[[float], None],
) -> Columns:
    design = heard.firmware[0]
    index = design.reading_of_frame(heard.frames)
    read = read_boards(
        heard.sound, design, heard.boards, index,
        one_by_one=one_by_one, seed=seed, workers=workers, progress=report,
    )  # fmt: skip
    rows = read.envelope_counts
    parts = [
        envelope_columns(rows[some], list(heard.firmware[some]), list(heard.tables[some]))
        for some in _in_parts(len(rows))
    ]
    return _named(parts, read.clipped_share)


def _judge_counted(
    heard: _Hearing,
    one_by_one: bool,
    seed: tuple[int, ...],
    workers: int,
    report: Callable[[float], None],
) -> Columns:
    design, readers = heard.firmware[0], list[_Judged]()
    ranked = ranked_of(heard.firmware, heard.frames)

    left = False

    def enough(share: float) -> bool:
        nonlocal left
        if heard.enough is not None and ranked is None:
            left = heard.enough(share * heard.sound.duration_s, _most_flashes(readers))
        return left

    def hear(reader_of: Callable[[IntArray], Reader], tell: Callable[[float], None]) -> FloatArray:
        return play(
            heard.sound, heard.boards, readings_for(heard.sound, [design], heard.frames), reader_of,
            design=design, exactly=one_by_one, seed=seed, workers=workers, progress=tell, enough=enough,
        )  # fmt: skip

    with ThreadPoolExecutor(workers) as pool:

        def reader_of(places: IntArray) -> _Judged:
            counted = [
                CountedFrames(places[part], heard.firmware, heard.tables, heard.frames, ranked)
                for part in _in_parts(places.size)
            ]
            readers.append(_Judged(counted, pool))
            return readers[-1]

        share = hear(reader_of, lambda done: report(done if ranked is None else done / 2))
        if left:
            return {FLASH_METRIC: _most_flashes(readers).astype(np.float64)}
        if ranked is not None:
            look_again(ranked, heard.firmware, heard.frames, hear, report)
        counted = [some for reader in readers for some in reader.counted]
        places = np.concatenate([some.places for some in counted])
        found = [part for parts in pool.map(CountedFrames.columns, counted) for part in parts]
    columns, order = _named(found, share[places]), np.argsort(places)
    return {name: values[order] for name, values in columns.items()}


@dataclass(frozen=True, eq=False)
class _Judged:
    """Judges boards that are read together, some at a time, while their readings come by."""

    counted: list[CountedFrames]
    pool: ThreadPoolExecutor

    def take(self, counts: NDArray[np.int32]) -> None:
        """See engine.play.Reader."""
        if len(self.counted) == 1:
            self.counted[0].take(counts)
        else:
            parts = [counts[part] for part in _in_parts(len(counts))]
            list(self.pool.map(CountedFrames.take, self.counted, parts))


def _most_flashes(readers: Sequence[_Judged]) -> IntArray:
    return most_flashes([some for reader in readers for some in reader.counted])


def _in_parts(rows: int) -> list[slice]:
    return [slice(first, first + AT_ONCE) for first in range(0, rows, AT_ONCE)]


def _named(parts: list[ClipColumns], clipped_share: FloatArray) -> Columns:
    def joined(columns: list[FloatArray]) -> FloatArray:
        return np.concatenate(columns)

    named = {name: joined([getattr(part.metrics, name) for part in parts]) for name in METRICS_OF_A_CLIP}
    named["clipped_share"] = np.maximum(clipped_share, named["top_code_share"])
    named["counts_median"] = joined([part.counts_median for part in parts])
    named["counts_99"] = joined([part.counts_99 for part in parts])
    return named


def _ignore(share: float) -> None:
    del share
