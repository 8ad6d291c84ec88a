"""The metrics of many boards of one design, each judged with the nominal design's firmware.

Definitions are those of the sweep. A board as designed has the metrics that the sweep gives this design, to
the last digit.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence, Sized
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count
from envlab.chain import Chain
from envlab.digital.followers import PassThrough
from envlab.engine.play import play
from envlab.engine.reading_schedule import frame_readings
from envlab.light.table import LookupTable
from envlab.metrics.across_clips import worst_over_clips
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.clip_metrics import ClipColumns, envelope_columns, table_steps
from envlab.metrics.metrics_of_clip import (
    AT_ONCE,
    MEMORY_BYTES,
    METRICS_OF_A_CLIP,
    clip_seed,
    idle_clip,
    idle_seed,
    kept_bytes,
)
from envlab.metrics.onset_latency import latency_of_envelope, onset_instants, onset_test
from envlab.metrics.ripple_aliasing import frame_ripple_aliasing
from envlab.metrics.streaming_metrics import StreamingMetrics
from envlab.metrics.tone_metrics import TONE_METRICS, tone_metrics
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification
from envlab.study.tolerance.board_run import read_boards
from envlab.study.tolerance.tolerances import hearing
from envlab.units import FloatArray, IntArray

Columns = dict[str, FloatArray]
Report = Callable[[str, float], None]

Rows = TypeVar("Rows", IntArray, NDArray[np.int32], FloatArray)

# Boards that hear a clip together, at most.
PORTION, PORTION_KEPT = 2048, 256


@dataclass(frozen=True, eq=False)
class BoardJudge:
    """Judges boards of one design on a specification's clips.

    recordings: of specification.clips. one_by_one: simulate each board exactly, however alike they are.
    """

    specification: Specification
    nominal: Chain
    recordings: Sequence[Sound]
    workers: int = 2
    one_by_one: bool = False

    @functools.cached_property
    def table(self) -> LookupTable:
        """The brightness table that is exported, the same for every board."""
        return self.nominal.brightness_table()

    @property
    def portion(self) -> int:
        """How many boards hear a clip together; what a follower makes of a clip has to be kept meanwhile."""
        if isinstance(self.nominal.follower, PassThrough):
            return PORTION
        longest_s = max(sound.duration_s for sound in self.recordings)
        frames = instant_count(longest_s, self.nominal.frame_rate_hz)
        return max(1, min(PORTION_KEPT, int(MEMORY_BYTES / kept_bytes(frames))))

    def flashes_per_s(self, boards: Sequence[Chain], louder_db: FloatArray | None = None) -> FloatArray:
        """Return the flashes in each board's worst second of all clips, shape (boards,).

        louder_db: as metrics has it.
        """
        return self._on_clips(boards, louder_db, _quietly, 0.0, 1.0)[FLASH_METRIC]

    def metrics(
        self, boards: Sequence[Chain], report: Report, louder_db: FloatArray | None = None
    ) -> Columns:
        """Return metric → values, shape (boards,); report is told what is done, and the share, 0 to 1.

        louder_db: shape (boards,), by how much each board hears the clip of the largest uncertainty louder
        than stated, dB; the others in proportion to their own. None: all as stated.
        """
        parts, portion = [], self.portion
        for first in range(0, len(boards), portion):
            some = boards[first : first + portion]
            shares = (first / len(boards), len(some) / len(boards))
            louder = None if louder_db is None else louder_db[first : first + portion]
            parts.append(self._bench(some) | self._on_clips(some, louder, report, *shares))
        return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}

    def _judged(
        self, sound: Sound, boards: Sequence[Chain], seed: tuple[int, ...], report: Callable[[float], None]
    ) -> Columns:
        """Metrics of one clip; as clip_run.clip_columns, every board with the nominal firmware."""
        frames = instant_count(sound.duration_s, self.nominal.frame_rate_hz)
        how: dict[str, Any] = {"seed": seed, "workers": self.workers, "progress": report}
        if not isinstance(self.nominal.follower, PassThrough):
            index = self.nominal.reading_of_frame(frames)
            read = read_boards(sound, self.nominal, boards, index, one_by_one=self.one_by_one, **how)
            parts = [envelope_columns(some, *self._alike(some)) for some in _in_parts(read.envelope_counts)]
            return _named(parts, read.clipped_share)
        readers: list[_Judged] = []
        with ThreadPoolExecutor(self.workers) as pool:

            def reader_of(places: IntArray) -> _Judged:
                firmware = [StreamingMetrics(*self._alike(some), frames) for some in _in_parts(places)]
                readers.append(_Judged(places, firmware, pool))
                return readers[-1]

            readings = frame_readings(self.nominal, frames)
            share = play(
                sound, boards, readings, reader_of, design=self.nominal, exactly=self.one_by_one, **how
            )
            firmware = [some for reader in readers for some in reader.firmware]
            order = np.argsort(np.concatenate([reader.places for reader in readers]))
            columns = _named(list(pool.map(StreamingMetrics.columns, firmware)), share[np.argsort(order)])
        return {name: values[order] for name, values in columns.items()}

    def _alike(self, boards: Sized) -> tuple[list[Chain], list[LookupTable]]:
        """The firmware that each of some boards runs."""
        return [self.nominal] * len(boards), [self.table] * len(boards)

    def _bench(self, boards: Sequence[Chain]) -> Columns:
        judging, count = self.specification.judging, len(boards)
        idle = self._judged(idle_clip(), boards, idle_seed(judging.seed), _ignore)
        columns = {
            "idle_lstar": idle["lightness_95_lstar"],
            "table_step_lstar": np.repeat(table_steps([self.nominal], [self.table]), count),
        }
        if any(target.metric == "frame_shimmer_lstar" for target in self.specification.targets.items):
            ripple_aliasing = frame_ripple_aliasing(list(boards), [self.table] * count, workers=self.workers)
            columns["frame_shimmer_lstar"] = ripple_aliasing.worst_lstar
        asked = {target.metric for target in self.specification.targets.items}
        return tone_metrics(boards, asked & set(TONE_METRICS)) | self._latency(boards) | columns

    def _latency(self, boards: Sequence[Chain]) -> Columns:
        instants = onset_instants(self.nominal)
        read = read_boards(
            onset_test(self.specification.judging.street_db_spl),
            self.nominal,
            boards,
            instants.index,
            workers=self.workers,
            one_by_one=self.one_by_one,
        )
        latency_ms = np.array(
            [latency_of_envelope(row, self.table, instants) for row in read.envelope_counts]
        )
        latency_ms += 1e3 * self.nominal.transmission_s
        return {"onset_lag_mean_ms": latency_ms.mean(axis=1), "onset_lag_worst_ms": latency_ms.max(axis=1)}

    def _on_clips(
        self,
        boards: Sequence[Chain],
        louder_db: FloatArray | None,
        report: Report,
        begun: float,
        whole: float,
    ) -> Columns:
        lengths = np.array([recording.duration_s for recording in self.recordings])
        done = np.concatenate(([0.0], np.cumsum(lengths))) / lengths.sum()
        clips = []
        for number, (clip, recording) in enumerate(
            zip(self.specification.clips, self.recordings, strict=True)
        ):
            start, length = float(done[number]), float(done[number + 1] - done[number])

            def tell(
                share: float, label: str = clip.label, start: float = start, length: float = length
            ) -> None:
                report(label, begun + whole * (start + length * share))

            seed = clip_seed(self.specification.judging.seed, number)
            clips.append(self._judged(recording, self._hearing(boards, clip, louder_db), seed, tell))
        return worst_over_clips(self.specification.clips, clips, self.nominal.pixels, self.nominal.supply)

    def _hearing(self, boards: Sequence[Chain], clip: Clip, louder_db: FloatArray | None) -> Sequence[Chain]:
        """The boards as they meet a clip that is louder than stated."""
        if louder_db is None or clip.level_uncertainty_db == 0:
            return boards
        share = clip.level_uncertainty_db / max(one.level_uncertainty_db for one in self.specification.clips)
        return [hearing(board, share * float(off)) for board, off in zip(boards, louder_db, strict=True)]


@dataclass(frozen=True, eq=False)
class _Judged:
    """Judges boards that are read together, some at a time, while their readings come by."""

    places: IntArray
    firmware: list[StreamingMetrics]
    pool: ThreadPoolExecutor

    def take(self, counts: NDArray[np.int32]) -> None:
        """See engine.play.Reader."""
        if len(self.firmware) == 1:
            self.firmware[0].take(counts)
        else:
            list(self.pool.map(StreamingMetrics.take, self.firmware, _in_parts(counts)))


def _in_parts(rows: Rows) -> list[Rows]:
    return [rows[first : first + AT_ONCE] for first in range(0, len(rows), AT_ONCE)]


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


def _quietly(what: str, share: float) -> None:
    del what, share
