"""Every metric once: what it is called, its unit, what it says, and how its values are written.

Sentences, tables, pictures, the audition and the design file's targets all read this table. How a metric is
computed stands where DEVELOPERS.md says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Better = Literal["high", "low", "neither"]

FLASH_METRIC = "flashes_per_s"
NOT_JUDGED = "not judged"


@dataclass(frozen=True)
class MetricEntry:
    """One metric.

    key: its column and its key in [targets]. label: its name in a sentence or a table. unit: of its values,
    "" for a ratio. says: what is measured. axis: its name and unit on an axis. better: which way is better
    where no target says it. digits: behind the point where values change under one's eyes.
    """

    key: str
    label: str
    unit: str
    says: str
    axis: str
    better: Better = "low"
    digits: int = 2

    @property
    def is_share(self) -> bool:
        """Whether values are shares of 1 that people read in per cent."""
        return self.key.endswith("share")

    @property
    def name_in_text(self) -> str:
        """The label within a sentence, as in "latency, worst"."""
        return self.label[0].lower() + self.label[1:]

    def text(self, value: float, *, with_unit: bool = True) -> str:
        """Return a value as people read it: "22.1 L*", "4.8 %", "3 in 1 s"; "not judged" for NaN.

        value: in the metric's own unit. with_unit: False leaves the number alone, as for the first end of a
        range.

        Examples
        --------
        >>> METRICS["quiet_lit_share"].text(0.871), METRICS["ripple_db"].text(1.234)
        ('87.1 %', '1.23 dB')
        """
        if math.isnan(value):
            return NOT_JUDGED
        number, unit = f"{value:.3g}", self.unit
        if self.is_share:
            number, unit = f"{100 * value:.3g}", "%"
        if self.key == FLASH_METRIC:
            number, unit = f"{value:.3g}", "in 1 s"
        return f"{number} {unit if with_unit else ''}".rstrip().replace("-", "−")

    def steady_text(self, value: float) -> str:
        """Return the number alone with the same digits whatever it is, for a display that changes.

        value: in the metric's own unit. "never" for a time that does not come, "no end" for anything else
        that has none.
        """
        if not math.isfinite(value):
            return "never" if self.unit == "ms" else "no end"
        return f"{value:.{self.digits}f}"


def _entries() -> tuple[MetricEntry, ...]:
    ms, lstar, decibel, ampere = "ms", "L*", "dB", "A"
    one = MetricEntry
    settled = "1 kHz burst out of silence to 90 % of settled"
    return (
        one("attack_ms", "Attack", ms, settled, "attack, ms", "neither", 1),
        one(
            "attack_60hz_ms",
            "Attack in the bass",
            ms,
            "the same with 60 Hz",
            "60 Hz attack, ms",
            "neither",
            1,
        ),
        one("release_ms", "Release", ms, "end of the burst to 10 % of settled", "release, ms", "neither", 1),
        one("ripple_db", "Ripple", decibel, "largest over least in a settled cycle of 60 Hz", "ripple, dB"),
        one(
            "settled_ratio",
            "Settled ratio",
            "",
            "settled mean over the peak of the rectified voltage, 1 kHz",
            "settled ratio",
            "neither",
        ),
        one(
            "table_step_lstar",
            "Step of the table",
            lstar,
            "largest jump of the light at the smallest change of the envelope",
            "table step, L*",
            "low",
            1,
        ),
        one(
            "onset_lag_mean_ms",
            "Latency, mean",
            ms,
            "sound to light, mean over frame phases",
            "mean latency, ms",
            "low",
            1,
        ),
        one(
            "onset_lag_worst_ms",
            "Latency, worst",
            ms,
            "sound to light, worst frame phase",
            "worst latency, ms",
            "low",
            1,
        ),
        one(
            "frame_shimmer_lstar",
            "Ripple aliasing",
            lstar,
            "how far a steady bass note makes the light breathe, worst pitch",
            "ripple aliasing, L*",
            "low",
            1,
        ),
        one(
            "beat_contrast_lstar",
            "Contrast on the beat",
            lstar,
            "how far the light moves within a second of beat music",
            "contrast, L*",
            "high",
            1,
        ),
        one(
            "range_used_db",
            "Range used",
            decibel,
            "ADC counts from the quietest clip's median to the loudest clip's top",
            "range used, dB",
            "high",
        ),
        one(
            "clipped_share",
            "Clipped",
            "",
            "share of time with a stage at its limit, worst clip",
            "clipped share",
        ),
        one(
            "idle_lstar", "Idle light", lstar, "light from noise and offset alone", "idle light, L*", "low", 1
        ),
        one(
            "quiet_lit_share",
            "Quiet clip lit",
            "",
            "share of the quiet clip's frames that are lit",
            "quiet lit share",
            "high",
        ),
        one(
            "false_light_lstar",
            "False light",
            lstar,
            "light from walking, cloth and wind",
            "false light, L*",
            "low",
            1,
        ),
        one("supply_mean_a", "Current, mean", ampere, "mean current, worst clip", "mean current, A"),
        one(
            "supply_99_a",
            "Current, 99 %",
            ampere,
            "current exceeded 1 % of the time, worst clip",
            "99 % current, A",
        ),
        one("supply_peak_a", "Current, peak", ampere, "largest current, worst clip", "peak current, A"),
        one(FLASH_METRIC, "Flashes", "1/s", "worst sliding second of all clips", "flashes in 1 s", "low", 0),
    )


METRICS: dict[str, MetricEntry] = {entry.key: entry for entry in _entries()}
