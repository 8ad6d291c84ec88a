"""Metrics of the board that is being heard: the sweep's own, on its test signals and on the clip, no noise.

Names, units and definitions are those of metrics.catalogue; a clip's metrics are those of this clip alone.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.light.flashes.flash import FlashReport, find_flashes
from envlab.light.pixels import supply_current_a
from envlab.metrics.catalogue import METRICS
from envlab.metrics.clip_metrics import clip_metrics
from envlab.metrics.onset_latency import onset_latency
from envlab.metrics.tone_metrics import tone_metrics
from envlab.study.listening.light import BoardLight, table_of

STREET_DB_SPL = 92.0
_TONES = ("attack_ms", "release_ms", "ripple_db")


@dataclass(frozen=True)
class Metric:
    """One number with its name in the sweep, what it is called, its unit and its definition in short.

    value: in that unit.
    """

    name: str
    value: float

    @property
    def label(self) -> str:
        """What a sentence calls it."""
        return METRICS[self.name].label

    @property
    def unit(self) -> str:
        """As in the report; empty for a ratio."""
        return METRICS[self.name].unit

    @property
    def says(self) -> str:
        """What is measured."""
        return METRICS[self.name].says.replace(", worst clip", "").replace(" of all clips", "")

    @property
    def value_text(self) -> str:
        """The value to the digits that matter; "never" for what does not come."""
        return METRICS[self.name].steady_text(self.value)


def clip_light_metrics(light: BoardLight) -> tuple[Metric, ...]:
    """Return contrast, current and flashes of a whole clip's light."""
    chain = light.chain
    of_clip = clip_metrics(light.frame_counts, [chain], [table_of(chain)])
    duties = np.array([of_clip.duty_mean[0], of_clip.duty_99[0], of_clip.duty_peak[0]])
    mean_a, most_a, peak_a = supply_current_a(duties, chain.pixels, volts=chain.supply.volts)
    return (
        Metric("beat_contrast_lstar", float(of_clip.contrast_lstar[0])),
        Metric("supply_mean_a", float(mean_a)),
        Metric("supply_99_a", float(most_a)),
        Metric("supply_peak_a", float(peak_a)),
        Metric("flashes_per_s", float(of_clip.flashes_per_s[0])),
    )


def bench_metrics(chain: Chain, street_db_spl: float = STREET_DB_SPL) -> tuple[Metric, ...]:
    """Return attack, release, ripple and latency of a board on the sweep's test signals."""
    return (*tones_of_board(chain), *latency_metrics(chain, street_db_spl))


@functools.lru_cache(maxsize=256)
def tones_of_board(chain: Chain) -> tuple[Metric, ...]:
    """Return attack, release and ripple."""
    values = tone_metrics([chain], _TONES)
    return tuple(Metric(name, float(values[name][0])) for name in _TONES)


@functools.lru_cache(maxsize=256)
def latency_metrics(chain: Chain, street_db_spl: float = STREET_DB_SPL) -> tuple[Metric, ...]:
    """Return mean and worst onset latency at a street level, dB SPL."""
    latency = onset_latency([chain], street_db_spl, [table_of(chain)])
    return (
        Metric("onset_lag_mean_ms", float(latency.mean_ms[0])),
        Metric("onset_lag_worst_ms", float(latency.worst_ms[0])),
    )


def light_flashes(light: BoardLight) -> FlashReport:
    """Return the flashes of a whole clip's light."""
    return find_flashes(light.duty, light.frame_rate_hz, full_duty=light.full_duty or 1.0)
