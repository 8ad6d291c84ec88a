"""The metrics of many candidates on one clip while its frames come by; no frame is kept.

A frame shows whole counts, or behind a moving mean of N readings whole Nths of one. Every percentile, mean
and share over a clip is then a matter of how often each step was seen: duty and lightness never fall as the
count rises. For the rest see contrast.py and light/flashes/running_flash.py.
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
from envlab.metrics.percentiles import percentile
from envlab.metrics.worst_flashes import running_flashes
from envlab.sound.stream import Sound
from envlab.units import FloatArray, IntArray

Codes = NDArray[np.int32]
# A candidate's tables are in the processor's cache while its frames are counted: so many that it is worth it.
_FRAMES_AT_ONCE = 256


class StreamingMetrics:
    """Takes what chains behind one follower show at their frames, in whole steps, and knows their metrics."""

    def __init__(self, chains: list[Chain], tables: list[LookupTable], frames: int) -> None:
        """chains: as for read_through, with the same frame rate, pixels and follower, which divides a count
        into whole steps. tables: of each. frames: of the whole clip, at least one."""
        from envlab.metrics import metric_kernels

        adc, table, rate_hz = chains[0].adc, tables[0], chains[0].frame_rate_hz
        self._frames, self._table = frames, table
        self._steps = steps_of(chains[0])
        self._waiting: list[Codes] = []
        self._top = np.array([adc.top_code - chain.quiescent_counts for chain in chains]) * self._steps
        # Boards of one design run one table.
        different = {id(one): one for one in tables}
        place = {key: number for number, key in enumerate(different)}
        self._whose = np.array([place[id(one)] for one in tables])
        self._code_of_step: Codes = metric_kernels.codes_of_steps(
            adc.top_code * self._steps + 1,
            self._steps,
            np.stack([one.duty_codes for one in different.values()]),
            float(table.full_scale_counts),
        )
        self._seen: Codes = np.zeros((len(chains), self._code_of_step.shape[1]), dtype=np.int32)
        self._contrast = RunningContrast(len(chains), frames, table.brightest_code, rate_hz)
        self._flashes = running_flashes(chains[0], len(chains), table.brightest_code)

    def take(self, steps: Codes) -> None:
        """steps: shape (chains, frames), of the next frames; whole counts where a count is one step."""
        self._waiting.append(steps)
        if sum(block.shape[1] for block in self._waiting) >= _FRAMES_AT_ONCE:
            self._count_waiting()

    def take_counts(self, counts: FloatArray) -> None:
        """counts: the same in counts, with fractions."""
        self.take(np.rint(counts * self._steps).astype(np.int32))

    def _count_waiting(self) -> None:
        from envlab.metrics import metric_kernels

        steps = np.concatenate(self._waiting, axis=1)
        self._waiting = []
        codes = metric_kernels.tally(steps, self._code_of_step, self._whose, self._seen)
        self._contrast.take(codes)
        self._flashes.take(codes)

    def columns(self) -> ClipColumns:
        """Return the metrics, once all frames were taken."""
        from envlab.metrics import metric_kernels

        if self._waiting:
            self._count_waiting()
        parts = [percentile(percent, self._frames) for percent in (50, 95, 99)]
        ranks = np.array([rank for part in parts for rank in (part.low, part.high)])
        order = np.argsort(ranks, kind="stable")
        steps = np.empty((self._seen.shape[0], ranks.size), dtype=np.int32)
        steps[:, order] = metric_kernels.steps_at_ranks(self._seen, ranks[order])
        rows = np.arange(steps.shape[0])
        codes = self._code_of_step[self._whose[:, np.newaxis], steps]
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
            # A board whose zero lies under the design's reads more than the design can.
            top_frames=np.array(
                [self._seen[row, top:].sum() for row, top in zip(rows, self._top, strict=True)]
            ),
        )
        counts = steps / self._steps
        return ClipColumns(
            tallied.metrics(self._contrast.contrast_lstar(), self._flashes.most_per_s, self._table),
            counts_median=parts[0].of(counts[:, 0], counts[:, 1]),
            counts_99=parts[2].of(counts[:, 4], counts[:, 5]),
        )


def steps_of(chain: Chain) -> int:
    """Return into how many steps a chain's follower divides a count; 0 if into no whole number of them."""
    return steps_a_count(chain.follower, chain.adc.rate_hz) or 0


def counted_bytes(chain: Chain, frames: int, tables: int = 1) -> float:
    """Memory of a chain's running metrics: how often each step was seen, and of each second one number.

    tables: of its own, from steps to codes; 0 for boards of one design, which share one.
    """
    return 4 * (1 + tables) * (chain.adc.top_code * steps_of(chain) + 1) + 4 * frames / chain.frame_rate_hz


class CountedFrames:
    """Reads some chains, each behind its follower, and counts their frames. See play.Reader.

    places: of the chains in the columns.
    """

    def __init__(
        self, places: IntArray, chains: Sequence[Chain], tables: Sequence[LookupTable], frames: int
    ) -> None:
        """places: of these among all chains and tables; the rest as StreamingMetrics, followers apart."""
        rows: dict[Follower, list[int]] = {}
        for row, place in enumerate(places):
            rows.setdefault(chains[place].follower, []).append(row)
        every = not all(isinstance(one.follower, PassThrough) for one in chains)
        self._parts: list[tuple[IntArray, StreamingMetrics, FollowedReadings | None]] = []
        for follower, some in rows.items():
            first = chains[places[some[0]]]
            counted = StreamingMetrics(
                [chains[place] for place in places[some]], [tables[place] for place in places[some]], frames
            )
            followed = FollowedReadings(follower, first.adc.rate_hz, frame_readings(first, frames))
            self._parts.append((np.array(some), counted, followed if every else None))
        self.places = places[np.concatenate([some for some, _, _ in self._parts])]

    def take(self, counts: Codes) -> None:
        """See play.Reader: the readings that readings_for names."""
        for rows, counted, followed in self._parts:
            own = counts if len(self._parts) == 1 else counts[rows]
            if followed is None:
                counted.take(own)
            else:
                counted.take_counts(followed.after(own))

    def columns(self) -> list[ClipColumns]:
        """Return the metrics of places, part by part, once all frames were taken."""
        return [counted.columns() for _, counted, _ in self._parts]


def readings_for(sound: Sound, chains: Sequence[Chain], frames: int) -> Wanted:
    """Return the readings that CountedFrames wants: those of the frames; behind any follower all."""
    if all(isinstance(chain.follower, PassThrough) for chain in chains):
        return frame_readings(chains[0], frames)
    return every_reading(instant_count(sound.duration_s, chains[0].adc.rate_hz))
