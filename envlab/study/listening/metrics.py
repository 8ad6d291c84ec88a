"""Metrics of the board that is being heard: the sweep's own, on its test signals and on the clip, no noise.

Names, units and definitions are those of metrics.catalogue; a clip's metrics are those of this clip alone, of
the light that the exported firmware shows. Where that has the flash guard, flashes without it stand beside.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from envlab.chain import Chain
from envlab.light.flashes.flash import FlashReport, find_flashes
from envlab.light.pixels import drawn_current_a
from envlab.metrics.catalogue import METRICS
from envlab.metrics.contrast import contrast_of_frames
from envlab.metrics.onset_latency import onset_latency
from envlab.metrics.tone_metrics import tone_metrics
from envlab.metrics.worst_flashes import most_flashes, red_flashes
from envlab.study.exported.light import worn_light
from envlab.study.layouts.regions import RegionFlashes
from envlab.study.listening.light import BoardLight, table_of

STREET_DB_SPL = 92.0
_TONES = ("attack_ms", "release_ms", "ripple_db")


@dataclass(frozen=True)
class Metric:
    """One number with its name in the sweep, what it is called, its unit and its definition in short.

    value: in that unit. note: what it holds for, beside its definition; empty for nothing.
    """

    name: str
    value: float
    note: str = ""

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
        defined = METRICS[self.name].says.replace(", worst clip", "").replace(" of all clips", "")
        return f"{defined}. {self.note}" if self.note else defined

    @property
    def value_text(self) -> str:
        """The value to the digits that matter; "never" for what does not come."""
        return METRICS[self.name].steady_text(self.value)


def clip_light_metrics(light: BoardLight) -> tuple[Metric, ...]:
    """Return contrast, current and flashes of a whole clip's light."""
    chain, duty = light.chain, light.duty
    duties = np.array([duty.mean(), np.percentile(duty, 99), duty.max()])
    mean_a, most_a, peak_a = drawn_current_a(duties, chain.pixels, chain.supply)
    flashes = worst_of(light)
    return (
        Metric("beat_contrast_lstar", contrast_of_frames(light.lightness, light.frame_rate_hz)),
        Metric("supply_mean_a", float(mean_a)),
        Metric("supply_99_a", float(most_a)),
        Metric("supply_peak_a", float(peak_a)),
        Metric("flashes_per_s", float(flashes), guard_words(light)),
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


def worst_of(light: BoardLight) -> int:
    """Return the flashes in the worst second of a light, red ones too where the board has a colour."""
    return max(light_flashes(light).worst_per_s, red_flashes(light.chain, light.relative_luminance))


def light_flashes(light: BoardLight) -> FlashReport:
    """Return the flashes of a light as it is shown."""
    return find_flashes(light.relative_luminance, light.frame_rate_hz)


def looped_flashes(light: BoardLight, passage_s: tuple[float, float]) -> FlashReport:
    """Return the flashes of a passage (from, to, in s) of a whole clip's light that is shown again and again.

    Where its end meets its beginning there may be more than anywhere within it. worst_start_s: in the clip.
    """
    rate_hz, (frames, rounds) = light.frame_rate_hz, _looped(light, passage_s)
    once = light.relative_luminance[frames]
    report = find_flashes(np.tile(once, rounds), rate_hz)
    start_s = (frames.start + (report.worst_start_s * rate_hz) % once.size) / rate_hz
    return replace(report, worst_start_s=float(start_s))


def _looped(light: BoardLight, passage_s: tuple[float, float]) -> tuple[slice, int]:
    """Return the frames of a passage, and how many rounds show every second that begins in one of them."""
    rate_hz = light.frame_rate_hz
    first = int(passage_s[0] * rate_hz + 1e-6)
    last = min(max(int(np.ceil(passage_s[1] * rate_hz - 1e-6)), first + 1), light.total_frames)
    # Every second that begins in one round, after a round in which the count has found its footing.
    return slice(first, last), 2 + int(np.ceil(rate_hz / (last - first)))


def region_flashes(light: BoardLight, passage_s: tuple[float, float] | None = None) -> RegionFlashes | None:
    """Return the flashes of runs of pixels as they are shown; None where all pixels are alike.

    passage_s: (from, to) in s of a whole clip's light, shown again and again; None: the light once.
    """
    if light.pixels is None:
        return None
    if passage_s is None:
        return light.pixels.region_flashes()
    return light.pixels.region_flashes(*_looped(light, passage_s))


def unguarded_flashes(light: BoardLight) -> int:
    """Return the flashes in the worst second of a whole clip's light, were its flash guard off."""
    if light.guard != "on":
        return worst_of(light)
    chain = light.chain
    frame_ends = chain.reading_of_frame(light.total_frames) + 1
    free = worn_light(chain, light.adc_counts, frame_ends, guard=False)
    return most_flashes(chain, free.luminance)


def guard_words(light: BoardLight) -> str:
    """Return with what a whole clip's flashes are judged, as in "Flash guard on; without it 5."."""
    if light.guard == "on":
        return f"Flash guard on; without it {unguarded_flashes(light)}."
    if light.guard == "off":
        return "Flash guard off."
    return "Brightness table alone, without a flash guard."
