"""The metrics of many boards of one design, each judged with the nominal design's firmware.

Definitions are those of the sweep. A board as designed has the metrics that the sweep gives this design, to
the last digit.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass

import numpy as np

from envlab.analog.adc import instant_count
from envlab.chain import Chain
from envlab.engine.side_by_side import run_side_by_side
from envlab.light.table import LookupTable
from envlab.metrics.across_clips import clips_of_metric, worst_over_clips
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.clip_metrics import table_steps
from envlab.metrics.judgeable import judged_columns, release_s, why_not_judged
from envlab.metrics.metrics_of_clip import clip_seed, idle_clip, idle_seed, together
from envlab.metrics.onset_latency import latency_of_envelope, onset_instants, onset_test
from envlab.metrics.ripple_aliasing import frame_ripple_aliasing
from envlab.metrics.streaming_metrics import steps_of
from envlab.metrics.tone_metrics import TONE_METRICS, tone_metrics
from envlab.sound.clip import Clip
from envlab.sound.stream import Sound
from envlab.study.specification.specification import Specification
from envlab.study.tolerance.board_columns import Columns, columns_on_sound
from envlab.study.tolerance.board_run import read_boards
from envlab.study.tolerance.drawn_boards import hearing as hearing_louder
from envlab.study.tolerance.heard_boards import HeardBoards, spread_over
from envlab.units import BoolArray, FloatArray

Report = Callable[[str, float], None]

LATENCIES = ("onset_lag_mean_ms", "onset_lag_worst_ms")
# Metrics on test signals, those together that one signal gives; all others are of clips.
_OF_SIGNALS = (TONE_METRICS, LATENCIES, ("idle_lstar",), ("table_step_lstar",), ("frame_shimmer_lstar",))
# The same in the order of a table.
BENCH_METRICS = tuple(name for names in _OF_SIGNALS for name in names)
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
        """How many boards hear a clip together; fewer behind followers whose counts are no whole steps."""
        longest_s = max(sound.duration_s for sound in self.recordings)
        frames = instant_count(longest_s, self.nominal.frame_rate_hz)
        most = PORTION if steps_of(self.nominal) else PORTION_KEPT
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
        and test signals that do not matter for them; of no board is any other to be read then. None: all.
        """
        known = heard if heard is not None and self._would_hear_again(heard, boards, louder_db) else None
        fresh = len(boards) - (0 if known is None else len(known.working))
        parts, portion = [], self.portion
        for first in range(0, fresh, portion):
            some = boards[first : min(first + portion, fresh)]
            shares = (first / fresh, len(some) / fresh)
            louder = None if louder_db is None else louder_db[first : first + len(some)]
            asked = None if wanted is None else wanted[first : first + len(some)]
            parts.append(self._bench(some, asked) | self._on_clips(some, louder, report, *shares, asked))
        if known is not None and known.working:
            missing = self._of_bench - set(known.bench)
            found = known.bench | self.bench(known.working, missing)
            of_bench = {name: found[name] for name in BENCH_METRICS if name in found}
            parts.append(of_bench | self.over_clips(known.clips))
        return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}

    def _would_hear_again(
        self, heard: HeardBoards, boards: Sequence[Chain], louder_db: FloatArray | None
    ) -> bool:
        """Whether the last boards would make of the clips what they made of them, whoever hears along."""
        first = len(boards) - len(heard.working)
        if self.one_by_one or louder_db is None or first < 0:
            return False
        if not heard.are(self.specification, self.nominal, list(boards[first:]), louder_db[first:]):
            return False
        return self.hear_side_by_side(boards, louder_db)

    def hear_side_by_side(self, boards: Sequence[Chain], louder_db: FloatArray) -> bool:
        """Whether the boards hear every clip side by side: they read alike then in any company.

        louder_db: as metrics has it.
        """
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
            idle = self._judged(
                idle_clip(boards), boards, idle_seed(self.specification.judging.seed), _ignore
            )
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

    def _bench(self, boards: Sequence[Chain], wanted: Sequence[Set[str]] | None) -> Columns:
        """Metrics on test signals; wanted: as metrics has it. NaN where nobody asks."""
        if wanted is None:
            return self.bench(boards, self._of_bench)
        columns = {name: np.full(len(boards), np.nan) for name in BENCH_METRICS if name in self._of_bench}
        for names in _OF_SIGNALS:
            asked = self._of_bench.intersection(names)
            asks = np.array([not asked.isdisjoint(one) for one in wanted])
            if asks.any():
                some = [board for board, does in zip(boards, asks, strict=True) if does]
                columns |= spread_over(self.bench(some, asked), asks)
        return columns

    @property
    def _of_bench(self) -> set[str]:
        """Of tones and ripple aliasing what a target asks, and the rest."""
        asked = {target.metric for target in self.specification.targets.items}
        return asked.intersection(BENCH_METRICS) | {"idle_lstar", "table_step_lstar", *LATENCIES}

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
        hears_clip = self._hears(len(boards), wanted)
        clips, names = [], []
        for number, clip in enumerate(self.specification.clips):
            start, length = float(done[number]), float(done[number + 1] - done[number])

            def tell(
                share: float, label: str = clip.label, start: float = start, length: float = length
            ) -> None:
                report(label, begun + whole * (start + length * share))

            hears = hears_clip[number]
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

    def _hears(self, boards: int, wanted: Sequence[Set[str]] | None) -> BoolArray:
        """Which clips matter for which boards, shape (clips, boards); wanted: as metrics has it."""
        clips = self.specification.clips
        if wanted is None:
            return np.ones((len(clips), boards), dtype=bool)
        hears = np.zeros((len(clips), boards), dtype=bool)
        settles_s = release_s(self.nominal.detector_as_built)
        judged = [
            why_not_judged(clip, sound, settles_s).keys().isdisjoint(("every", "counts_99"))
            for clip, sound in zip(clips, self.recordings, strict=True)
        ]
        for board, names in enumerate(wanted):
            for name in names - set(BENCH_METRICS):
                hears[:, board] |= clips_of_metric(name, clips, judged)
        return hears


def _ignore(share: float) -> None:
    del share


def _quietly(what: str, share: float) -> None:
    del what, share
