"""The metrics of many boards of one design, each judged with the nominal design's firmware.

Definitions are those of the sweep. A board as designed has the metrics that the sweep gives this design, to
the last digit.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence, Set
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count
from envlab.chain import Chain
from envlab.digital.followers import PassThrough
from envlab.engine.play import Reader, play
from envlab.engine.side_by_side import run_side_by_side
from envlab.light.table import LookupTable
from envlab.metrics.across_clips import TAG_OF, worst_over_clips
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.clip_metrics import ClipColumns, envelope_columns, table_steps
from envlab.metrics.judgeable import judged_columns
from envlab.metrics.metrics_of_clip import (
    AT_ONCE,
    METRICS_OF_A_CLIP,
    better_kept,
    clip_seed,
    idle_clip,
    idle_seed,
    kept_together,
    look_again,
    together,
    two_turns,
)
from envlab.metrics.onset_latency import latency_of_envelope, onset_instants, onset_test
from envlab.metrics.ripple_aliasing import frame_ripple_aliasing
from envlab.metrics.streaming_metrics import CountedFrames, ranked_of, readings_for
from envlab.metrics.tone_metrics import TONE_METRICS, tone_metrics
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification
from envlab.study.tolerance.board_run import read_boards
from envlab.study.tolerance.drawn_boards import hearing as hearing_louder
from envlab.study.tolerance.heard_boards import HeardBoards, spread_over
from envlab.units import BoolArray, FloatArray, IntArray

Columns = dict[str, FloatArray]
Report = Callable[[str, float], None]

LATENCIES = ("onset_lag_mean_ms", "onset_lag_worst_ms")
# Metrics on test signals; all others are of clips.
BENCH_METRICS = {*TONE_METRICS, *LATENCIES, "idle_lstar", "table_step_lstar", "frame_shimmer_lstar"}
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
        """How many boards hear a clip together; what some followers make of it has to be kept meanwhile."""
        longest_s = max(sound.duration_s for sound in self.recordings)
        frames = instant_count(longest_s, self.nominal.frame_rate_hz)
        most = PORTION if isinstance(self.nominal.follower, PassThrough) else PORTION_KEPT
        return min(most, together([self.nominal], frames, tables=0))

    def flashes_per_s(self, boards: Sequence[Chain], louder_db: FloatArray | None = None) -> FloatArray:
        """Return the flashes in each board's worst second of all clips, shape (boards,).

        louder_db: as metrics has it.
        """
        return self._on_clips(boards, louder_db, _quietly, 0.0, 1.0)[FLASH_METRIC]

    def metrics(
        self,
        boards: Sequence[Chain],
        report: Report,
        louder_db: FloatArray | None = None,
        heard: HeardBoards | None = None,
        wanted: Sequence[Set[str]] | None = None,
    ) -> Columns:
        """Return metric → values, shape (boards,); report is told what is done, and the share, 0 to 1.

        louder_db: shape (boards,), by how much each board hears the clip of the largest uncertainty louder
        than stated, dB; the others in proportion to their own. None: all as stated. heard: what the last of
        the boards made of the clips already; where it cannot be shown that this would come out once more,
        they hear them again. wanted: of each board the metrics that somebody asks for, which spares it clips
        that do not matter for them; of no board is any other to be read then. None: all.
        """
        known = heard if heard is not None and self._would_hear_again(heard, boards, louder_db) else None
        fresh = len(boards) - (0 if known is None else len(known.working))
        parts, portion = [], self.portion
        for first in range(0, fresh, portion):
            some = boards[first : min(first + portion, fresh)]
            shares = (first / fresh, len(some) / fresh)
            louder = None if louder_db is None else louder_db[first : first + len(some)]
            asked = None if wanted is None else wanted[first : first + len(some)]
            parts.append(self._bench(some) | self._on_clips(some, louder, report, *shares, asked))
        if known is not None and known.working:
            missing = self._of_bench - set(known.bench)
            of_bench = known.bench | self.bench(known.working, missing)
            parts.append(of_bench | self.over_clips(known.clips))
        return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}

    def _would_hear_again(
        self, heard: HeardBoards, boards: Sequence[Chain], louder_db: FloatArray | None
    ) -> bool:
        """Whether the last boards would make of the clips what they made of them, whoever hears along.

        Side by side, boards read alike in any company; so all of these have to run so.
        """
        first = len(boards) - len(heard.working)
        if self.one_by_one or louder_db is None or first < 0:
            return False
        if not heard.are(self.specification, self.nominal, list(boards[first:]), louder_db[first:]):
            return False
        clips = zip(self.specification.clips, self.recordings, strict=True)
        return all(
            run_side_by_side(self.nominal, self.hearing(boards, clip, louder_db), sound)
            for clip, sound in clips
        )

    def clip(
        self, number: int, boards: Sequence[Chain], report: Callable[[float], None] | None = None
    ) -> Columns:
        """Return the columns of clip number (0 is the first) for each board, as metrics_of_clip.clip_columns.

        NaN where they are not judged for the design.
        """
        sound = self.recordings[number]
        seed = clip_seed(self.specification.judging.seed, number)
        found = self._judged(sound, boards, seed, report or _ignore)
        return judged_columns(self.specification.clips[number], sound, found, [self.nominal])

    def bench(self, boards: Sequence[Chain], wanted: Set[str]) -> Columns:
        """Return those of the metrics on test signals that are wanted, of each board, shape (boards,)."""
        columns: Columns = {}
        if "idle_lstar" in wanted:
            idle = self._judged(idle_clip(), boards, idle_seed(self.specification.judging.seed), _ignore)
            columns["idle_lstar"] = idle["lightness_95_lstar"]
        if "table_step_lstar" in wanted:
            columns["table_step_lstar"] = np.repeat(table_steps([self.nominal], [self.table]), len(boards))
        if "frame_shimmer_lstar" in wanted:
            tables = [self.table] * len(boards)
            ripple_aliasing = frame_ripple_aliasing(list(boards), tables, workers=self.workers)
            columns["frame_shimmer_lstar"] = ripple_aliasing.worst_lstar
        latency = self._latency(boards) if wanted & set(LATENCIES) else {}
        return tone_metrics(boards, wanted & set(TONE_METRICS)) | latency | columns

    def over_clips(self, clips: Sequence[Columns]) -> Columns:
        """Return the worst over the clips; clips: of each, as clip gives them."""
        return worst_over_clips(self.specification.clips, clips, self.nominal.pixels, self.nominal.supply)

    def hearing(self, boards: Sequence[Chain], clip: Clip, louder_db: FloatArray | None) -> Sequence[Chain]:
        """Return boards as they meet a clip that is louder than stated; louder_db, dB: as metrics has it."""
        if louder_db is None or clip.level_uncertainty_db == 0:
            return boards
        share = clip.level_uncertainty_db / max(one.level_uncertainty_db for one in self.specification.clips)
        return [
            hearing_louder(board, share * float(off)) for board, off in zip(boards, louder_db, strict=True)
        ]

    def _judged(
        self, sound: Sound, boards: Sequence[Chain], seed: tuple[int, ...], report: Callable[[float], None]
    ) -> Columns:
        """Metrics of one clip; as metrics_of_clip.clip_columns, every board with the nominal firmware."""
        return columns_on_sound(
            sound, boards, [self.nominal] * len(boards), [self.table] * len(boards),
            one_by_one=self.one_by_one, seed=seed, workers=self.workers, report=report,
        )  # fmt: skip

    def _bench(self, boards: Sequence[Chain]) -> Columns:
        return self.bench(boards, self._of_bench)

    @property
    def _of_bench(self) -> set[str]:
        """Of tones and ripple aliasing what a target asks, and the rest."""
        asked = {target.metric for target in self.specification.targets.items}
        return asked & BENCH_METRICS | {"idle_lstar", "table_step_lstar", *LATENCIES}

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
        wanted: Sequence[Set[str]] | None = None,
    ) -> Columns:
        lengths = np.array([recording.duration_s for recording in self.recordings])
        done = np.concatenate(([0.0], np.cumsum(lengths))) / lengths.sum()
        clips, names = [], []
        for number, clip in enumerate(self.specification.clips):
            start, length = float(done[number]), float(done[number + 1] - done[number])

            def tell(
                share: float, label: str = clip.label, start: float = start, length: float = length
            ) -> None:
                report(label, begun + whole * (start + length * share))

            hears = _hears(clip, len(boards), wanted)
            if not hears.any():
                continue
            some = [board for board, does in zip(boards, hears, strict=True) if does]
            louder = None if louder_db is None else louder_db[hears]
            found = self.clip(number, self.hearing(some, clip, louder), tell)
            clips.append(found if hears.all() else spread_over(found, hears))
            names.append(clip)
        if not clips:
            return {}
        return worst_over_clips(names, clips, self.nominal.pixels, self.nominal.supply)


def _hears(clip: Clip, boards: int, wanted: Sequence[Set[str]] | None) -> BoolArray:
    """Return which boards a clip matters for, shape (boards,); wanted: as BoardJudge.metrics has it."""
    if wanted is None:
        return np.ones(boards, dtype=bool)
    return np.array(
        [
            any(name not in BENCH_METRICS and TAG_OF.get(name) in (None, *clip.tags) for name in names)
            for names in wanted
        ]
    )


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
) -> Columns:
    """Return the columns of a sound for each board, shape (boards,), as metrics_of_clip.clip_columns.

    firmware, tables: the design that each board is of, and its table. The designs differ in nothing but
    detectors that rest at the same count: all then hear one front end's noise and have one zero. Memory does
    not grow with the clip but by 4 bytes a second and board: more boards than fit hear it in turns.
    """
    design, tell = firmware[0], report or _ignore
    frames = instant_count(sound.duration_s, design.frame_rate_hz)
    kept = better_kept([design], frames, tables=0) or two_turns(firmware, frames)
    judge = _judge_kept if kept else _judge_counted
    portion = kept_together(design, frames) if kept else together([design], frames, tables=0)
    parts = []
    for first in range(0, len(boards), portion):
        some = slice(first, first + portion)

        def tell_of(share: float, first: int = first, size: int = len(boards[some])) -> None:
            tell((first + share * size) / len(boards))

        heard = _Hearing(sound, boards[some], firmware[some], tables[some], frames)
        parts.append(judge(heard, one_by_one, seed, workers, tell_of))
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


@dataclass(frozen=True, eq=False)
class _Hearing:
    """Boards that hear a sound together; frames: of all of it."""

    sound: Sound
    boards: Sequence[Chain]
    firmware: Sequence[Chain]
    tables: Sequence[LookupTable]
    frames: int


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

    def hear(reader_of: Callable[[IntArray], Reader], tell: Callable[[float], None]) -> FloatArray:
        return play(
            heard.sound, heard.boards, readings_for(heard.sound, [design], heard.frames), reader_of,
            design=design, exactly=one_by_one, seed=seed, workers=workers, progress=tell,
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


def _quietly(what: str, share: float) -> None:
    del what, share
