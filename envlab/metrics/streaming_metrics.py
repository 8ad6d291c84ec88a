"""The metrics of many candidates on one clip while its frames come by; no frame is kept.

A frame shows whole counts, or behind a moving mean of N readings whole Nths of one. Every percentile, mean
and share over a clip is then a matter of how often each step was seen: duty and lightness never fall as the
count rises. For the rest see contrast.py and light/flashes/running_flash.py.

Other followers give any number. Of the light how often each code was seen is still all that it takes; the
percentiles of the counts themselves are found in two looks at the clip (RankedEnvelopes).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from envlab.analog.adc import instant_count
from envlab.chain import Chain
from envlab.digital.followers import Follower, PassThrough, steps_a_count
from envlab.engine.followed_envelopes import FollowedReadings
from envlab.engine.reading_schedule import Wanted, every_reading, frame_readings
from envlab.light.table import LookupTable
from envlab.metrics.clip_metrics import ClipColumns, Tallied, lit_code
from envlab.metrics.contrast import RunningContrast
from envlab.metrics.percentiles import RankedEnvelopes, percentile
from envlab.metrics.worst_flashes import running_flashes
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray

Codes = NDArray[np.int32]
# A candidate's tables are in the processor's cache while its frames are counted: so many that it is worth it.
_FRAMES_AT_ONCE = 256


_PERCENT = (50, 95, 99)


def _ranks(frames: int) -> list[int]:
    return [rank for percent in _PERCENT for rank in percentile(percent, frames)[:2]]


class _Tally:
    """Counts how often each chain showed each step, and judges the light by it.

    code_of_step: duty codes of the steps, never falling, shape (tables, steps). whose: which of these tables
    is each chain's, shape (chains,).
    """

    def __init__(
        self, chain: Chain, frames: int, table: LookupTable, code_of_step: Codes, whose: IntArray
    ) -> None:
        """chain: one of them, whose pixels, colour and frame rate are those of all."""
        self._frames, self._table = frames, table
        self._code_of_step, self._whose = code_of_step, whose
        self._waiting: list[Codes] = []
        self._seen: Codes = np.zeros((whose.size, code_of_step.shape[1]), dtype=np.int32)
        self._contrast = RunningContrast(whose.size, frames, table.brightest_code, chain.frame_rate_hz)
        self._flashes = running_flashes(chain, whose.size, table.brightest_code)

    def take(self, steps: Codes) -> None:
        """steps: shape (chains, frames), of the next frames."""
        self._waiting.append(steps)
        if sum(block.shape[1] for block in self._waiting) >= _FRAMES_AT_ONCE:
            self._count_waiting()

    def _count_waiting(self) -> None:
        from envlab.metrics import metric_kernels

        # A chain's frames side by side, however they came: what counts on is compiled for that alone.
        frames = sum(block.shape[1] for block in self._waiting)
        steps: Codes = np.empty((self._whose.size, frames), dtype=np.int32)
        np.concatenate(self._waiting, axis=1, out=steps)
        self._waiting = []
        codes = metric_kernels.tally(steps, self._code_of_step, self._whose, self._seen)
        self._contrast.take(codes)
        self._flashes.take(codes)

    @property
    def most_flashes(self) -> IntArray:
        """Most flashes in any second of the frames that were counted so far, shape (chains,)."""
        return self._flashes.most_per_s

    def steps_at_ranks(self) -> Codes:
        """Return the steps at the ranks of _PERCENT, two each, shape (chains, ranks), all frames taken."""
        from envlab.metrics import metric_kernels

        if self._waiting:
            self._count_waiting()
        ranks = np.array(_ranks(self._frames))
        order = np.argsort(ranks, kind="stable")
        steps = np.empty((self._seen.shape[0], ranks.size), dtype=np.int32)
        steps[:, order] = metric_kernels.steps_at_ranks(self._seen, ranks[order])
        return steps

    def seen_from(self, first: IntArray) -> IntArray:
        """Return how many frames showed a step or a higher one; first: of each chain, shape (chains,)."""
        return np.array([seen[one:].sum() for seen, one in zip(self._seen, first, strict=True)])

    def columns(self, top_frames: IntArray, at_ranks: FloatArray) -> ClipColumns:
        """Return the metrics, once all frames were taken.

        top_frames: frames of the highest reading, shape (chains,). at_ranks: counts at the ranks of _PERCENT.
        """
        from envlab.metrics import metric_kernels

        codes = self._code_of_step[self._whose[:, np.newaxis], self.steps_at_ranks()]
        code_sum, lit_frames, most = metric_kernels.totals(
            self._seen, self._code_of_step, self._whose, lit_code(self._table.brightest_code)
        )
        tallied = Tallied(
            frames=self._frames,
            at_95=(codes[:, 2], codes[:, 3]),
            at_99=(codes[:, 4], codes[:, 5]),
            most_code=self._code_of_step[self._whose, most],
            code_sum=code_sum,
            lit_frames=lit_frames,
            top_frames=top_frames,
        )
        half, _, nearly = (percentile(percent, self._frames) for percent in _PERCENT)
        return ClipColumns(
            tallied.metrics(self._contrast.contrast_lstar(), self._flashes.most_per_s, self._table),
            counts_median=half.of(at_ranks[:, 0], at_ranks[:, 1]),
            counts_99=nearly.of(at_ranks[:, 4], at_ranks[:, 5]),
        )


def _different(tables: Sequence[LookupTable]) -> tuple[list[LookupTable], IntArray]:
    """Return the tables, each once, and which of them is whose: boards of one design run one table."""
    different = {id(one): one for one in tables}
    place = {key: number for number, key in enumerate(different)}
    return list(different.values()), np.array([place[id(one)] for one in tables])


class StreamingMetrics:
    """Takes what chains behind one follower show at their frames, in whole steps, and knows their metrics."""

    def __init__(self, chains: list[Chain], tables: list[LookupTable], frames: int) -> None:
        """chains: as for read_through, with the same frame rate, pixels and follower, which divides a count
        into whole steps. tables: of each. frames: of the whole clip, at least one."""
        from envlab.metrics import metric_kernels

        adc, table = chains[0].adc, tables[0]
        self._steps = steps_of(chains[0])
        # A board whose zero lies under the design's reads more than the design can.
        self._top = np.array([adc.top_code - chain.quiescent_counts for chain in chains]) * self._steps
        different, whose = _different(tables)
        code_of_step: Codes = metric_kernels.codes_of_steps(
            adc.top_code * self._steps + 1,
            self._steps,
            np.stack([one.duty_codes for one in different]),
            float(table.full_scale_counts),
        )
        self._tally = _Tally(chains[0], frames, table, code_of_step, whose)

    def take(self, steps: Codes) -> None:
        """steps: shape (chains, frames), of the next frames; whole counts where a count is one step."""
        self._tally.take(steps)

    def take_counts(self, counts: FloatArray) -> None:
        """counts: the same in counts, with fractions."""
        self.take(np.rint(counts * self._steps).astype(np.int32))

    @property
    def most_flashes(self) -> IntArray:
        """As _Tally's."""
        return self._tally.most_flashes

    def columns(self) -> ClipColumns:
        """Return the metrics, once all frames were taken."""
        counts = self._tally.steps_at_ranks() / self._steps
        return self._tally.columns(self._tally.seen_from(self._top), counts)


class EnvelopeMetrics:
    """The same of chains whose follower gives any number: the codes are counted as they come by.

    rows: which chains of ranked these are, where the first look is taken along.
    """

    def __init__(
        self,
        chains: list[Chain],
        tables: list[LookupTable],
        frames: int,
        rows: IntArray,
        ranked: RankedEnvelopes,
    ) -> None:
        """chains, tables, frames: as StreamingMetrics."""
        self._rows, self._ranked, table = rows, ranked, tables[0]
        self._duty_codes = np.stack([one.duty_codes for one in tables])
        self._full_scale = float(table.full_scale_counts)
        self._top = np.array([[chain.adc.top_code - chain.quiescent_counts] for chain in chains])
        self._top_frames = np.zeros(len(chains), dtype=np.int64)
        codes: Codes = np.arange(int(self._duty_codes.max()) + 1, dtype=np.int32)[np.newaxis]
        self._tally = _Tally(chains[0], frames, table, codes, np.zeros(len(chains), dtype=np.int64))

    def take_counts(self, counts: FloatArray) -> None:
        """counts: shape (chains, frames), of the next frames."""
        from envlab.metrics import metric_kernels

        envelopes = np.ascontiguousarray(counts)
        self._ranked.count(self._rows, envelopes)
        self._top_frames += np.count_nonzero(envelopes >= self._top, axis=1)
        self._tally.take(metric_kernels.codes_of(envelopes, self._duty_codes, self._full_scale))

    @property
    def most_flashes(self) -> IntArray:
        """As _Tally's."""
        return self._tally.most_flashes

    def columns(self) -> ClipColumns:
        """Return the metrics, once all frames were taken and all lots of ranked are settled."""
        return self._tally.columns(self._top_frames, self._ranked.at_ranks(self._rows))


def steps_of(chain: Chain) -> int:
    """Return into how many steps a chain's follower divides a count; 0 if into no whole number of them."""
    return steps_a_count(chain.follower, chain.adc.rate_hz) or 0


def counted_bytes(chain: Chain, frames: int, tables: int = 1) -> float:
    """Memory of a chain's running metrics: how often each step was seen, and of each second one number.

    tables: of its own, from steps to codes; 0 for boards of one design, which share one. A follower that
    gives any number has no steps: of each code, then, and of each bin of RankedEnvelopes.
    """
    seconds = 4 * frames / chain.frame_rate_hz
    if not steps_of(chain):
        return RankedEnvelopes.BYTES + 4 * (1 << chain.pixel_bits) + seconds
    return 4 * (1 + tables) * (chain.adc.top_code * steps_of(chain) + 1) + seconds


def ranked_of(chains: Sequence[Chain], frames: int) -> RankedEnvelopes | None:
    """Return where chains have their two looks; None if one is enough for all of them."""
    return None if all(map(steps_of, chains)) else RankedEnvelopes(len(chains), _ranks(frames))


class CountedFrames:
    """Reads some chains, each behind its follower, and counts their frames. See play.Reader.

    places: of the chains in the columns.
    """

    def __init__(
        self,
        places: IntArray,
        chains: Sequence[Chain],
        tables: Sequence[LookupTable],
        frames: int,
        ranked: RankedEnvelopes | None = None,
    ) -> None:
        """places: of these among all chains and tables, and in ranked; the rest as StreamingMetrics,
        followers apart."""
        every = not all(isinstance(one.follower, PassThrough) for one in chains)
        self._parts: list[tuple[IntArray, StreamingMetrics | EnvelopeMetrics, FollowedReadings | None]] = []
        for rows in _behind_one_follower(places, chains):
            some, first = places[rows], chains[places[rows[0]]]
            own = ([chains[place] for place in some], [tables[place] for place in some], frames)
            counted: StreamingMetrics | EnvelopeMetrics
            if steps_of(first):
                counted = StreamingMetrics(*own)
            else:
                assert ranked is not None
                counted = EnvelopeMetrics(*own, some, ranked)
            self._parts.append((rows, counted, _followed(first, frames) if every else None))
        self.places = places[np.concatenate([rows for rows, _, _ in self._parts])]

    def take(self, counts: Codes) -> None:
        """See play.Reader: the readings that readings_for names."""
        for rows, counted, followed in self._parts:
            own = counts if len(self._parts) == 1 else counts[rows]
            if followed is not None:
                counted.take_counts(followed.after(own))
            else:
                assert isinstance(counted, StreamingMetrics)
                counted.take(own)

    @property
    def most_flashes(self) -> IntArray:
        """Most flashes in any second so far, of each of places: never more than there are in the whole."""
        return np.concatenate([counted.most_flashes for _, counted, _ in self._parts])

    def columns(self) -> list[ClipColumns]:
        """Return the metrics of places, part by part, once all frames were taken."""
        return [counted.columns() for _, counted, _ in self._parts]


class SecondLook:
    """Reads some chains once more, and keeps what ranked wants of those of a lot. See play.Reader."""

    def __init__(
        self,
        places: IntArray,
        *,
        lot: IntArray,
        chains: Sequence[Chain],
        frames: int,
        ranked: RankedEnvelopes,
    ) -> None:
        """places: of these among all chains, and in ranked. lot: places, as ranked.lots gives them."""
        self._ranked = ranked
        mine = np.flatnonzero(np.isin(places, lot))
        self._parts = [
            (mine[rows], places[mine[rows]], _followed(chains[places[mine[rows[0]]]], frames))
            for rows in _behind_one_follower(places[mine], chains)
        ]

    def take(self, counts: Codes) -> None:
        """See play.Reader: the readings that readings_for names."""
        for rows, places, followed in self._parts:
            self._ranked.keep(places, followed.after(counts[rows]))


def _behind_one_follower(places: IntArray, chains: Sequence[Chain]) -> list[IntArray]:
    """Rows of places, those together whose chains have the same follower."""
    rows: dict[Follower, list[int]] = {}
    for row, place in enumerate(places):
        rows.setdefault(chains[place].follower, []).append(row)
    return [np.array(some) for some in rows.values()]


def _followed(chain: Chain, frames: int) -> FollowedReadings:
    return FollowedReadings(chain.follower, chain.adc.rate_hz, frame_readings(chain, frames))


def readings_for(sound: Sound, chains: Sequence[Chain], frames: int) -> Wanted:
    """Return the readings that CountedFrames wants: those of the frames; behind any follower all."""
    if all(isinstance(chain.follower, PassThrough) for chain in chains):
        return frame_readings(chains[0], frames)
    return every_reading(instant_count(sound.duration_s, chains[0].adc.rate_hz))


def most_flashes(counted: Sequence[CountedFrames]) -> IntArray:
    """Return the most flashes in any second so far, of all chains that are counted, in their order."""
    order = np.argsort(np.concatenate([some.places for some in counted]))
    return np.concatenate([some.most_flashes for some in counted])[order]
