"""The metrics of many candidates on one clip while its frames come by; no frame is kept.

With whole counts as envelope, every percentile, mean and share over a clip is a matter of how often each
count was seen: duty and lightness never fall as the count rises. For the rest see contrast.py and
light/flashes/running_flash.py.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.chain import Chain
from envlab.light.flashes.running_flash import RunningFlashes
from envlab.light.table import LookupTable
from envlab.metrics.clip_metrics import ClipColumns, Tallied, lit_code
from envlab.metrics.contrast import RunningContrast
from envlab.metrics.percentiles import percentile

Codes = NDArray[np.int32]
# A candidate's tables are in the processor's cache while its frames are counted: so many that it is worth it.
_FRAMES_AT_ONCE = 256


class StreamingMetrics:
    """Takes the whole counts that chains without a follower read at their frames, and knows their metrics."""

    def __init__(self, chains: list[Chain], tables: list[LookupTable], frames: int) -> None:
        """chains: as for read_through, with the same frame rate and pixels. tables: of each. frames: of the
        whole clip, at least one."""
        from envlab.metrics import metric_kernels

        adc, table, rate_hz = chains[0].adc, tables[0], chains[0].frame_rate_hz
        self._frames, self._table = frames, table
        self._waiting: list[Codes] = []
        self._top_counts = np.array([adc.top_code - chain.quiescent_counts for chain in chains])
        self._code_of_count: Codes = metric_kernels.codes_of_counts(
            adc.top_code + 1, np.stack([one.duty_codes for one in tables]), float(table.full_scale_counts)
        )
        self._seen: Codes = np.zeros(self._code_of_count.shape, dtype=np.int32)
        self._contrast = RunningContrast(len(chains), frames, table.brightest_code, rate_hz)
        self._flashes = RunningFlashes(len(chains), table.brightest_code, rate_hz)

    def take(self, counts: Codes) -> None:
        """See play.Reader."""
        self._waiting.append(counts)
        if sum(block.shape[1] for block in self._waiting) >= _FRAMES_AT_ONCE:
            self._count_waiting()

    def _count_waiting(self) -> None:
        from envlab.metrics import metric_kernels

        counts = np.concatenate(self._waiting, axis=1)
        self._waiting = []
        codes = metric_kernels.tally(counts, self._code_of_count, self._seen)
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
        counts = np.empty((self._seen.shape[0], ranks.size), dtype=np.int32)
        counts[:, order] = metric_kernels.counts_at_ranks(self._seen, ranks[order])
        rows = np.arange(counts.shape[0])
        codes = self._code_of_count[rows[:, np.newaxis], counts]
        code_sum, lit_frames, most_count = metric_kernels.totals(
            self._seen, self._code_of_count, lit_code(self._table.brightest_code)
        )
        tallied = Tallied(
            frames=self._frames,
            at_95=(codes[:, 2], codes[:, 3]),
            at_99=(codes[:, 4], codes[:, 5]),
            most_code=self._code_of_count[rows, most_count],
            code_sum=code_sum,
            lit_frames=lit_frames,
            top_frames=self._seen[rows, self._top_counts],
        )
        return ClipColumns(
            tallied.metrics(self._contrast.contrast_lstar(), self._flashes.most_per_s, self._table),
            counts_median=parts[0].of(counts[:, 0], counts[:, 1]),
            counts_99=parts[2].of(counts[:, 4], counts[:, 5]),
        )
