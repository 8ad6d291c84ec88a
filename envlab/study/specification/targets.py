"""What the wearer asks of the metrics, and by how much a candidate misses it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from envlab.errors import ParameterError, check_choice, check_positive, check_range
from envlab.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd

# metric: (unit, what it says). The words are those of the report; definitions stand in metrics.py.
METRICS: dict[str, tuple[str, str]] = {
    "attack_ms": ("ms", "1 kHz burst out of silence to 90 % of settled"),
    "attack_60hz_ms": ("ms", "the same with 60 Hz"),
    "release_ms": ("ms", "end of the burst to 10 % of settled"),
    "ripple_db": ("dB", "largest over least in a settled cycle of 60 Hz"),
    "settled_ratio": ("", "settled mean over the peak of the drive, 1 kHz"),
    "table_step_lstar": ("L*", "largest jump of the light from one ADC count to the next"),
    "onset_lag_mean_ms": ("ms", "sound to light, mean over frame phases"),
    "onset_lag_worst_ms": ("ms", "sound to light, worst frame phase"),
    "frame_shimmer_lstar": ("L*", "how far a steady bass note makes the light breathe, worst pitch"),
    "beat_contrast_lstar": ("L*", "how far the light moves within a second of beat music"),
    "range_used_db": ("dB", "ADC counts from the quietest clip's median to the loudest clip's top"),
    "clipped_share": ("", "share of time with a stage at its limit, worst clip"),
    "idle_lstar": ("L*", "light from noise and offset alone"),
    "quiet_lit_share": ("", "share of the quiet clip's frames that are lit"),
    "false_light_lstar": ("L*", "light from walking, cloth and wind"),
    "supply_mean_a": ("A", "mean current, worst clip"),
    "supply_99_a": ("A", "current exceeded 1 % of the time, worst clip"),
    "supply_peak_a": ("A", "largest current, worst clip"),
    "flashes_per_s": ("1/s", "worst sliding second of all clips"),
}
# What a metric is called in a sentence or a table.
METRIC_NAMES = {
    "attack_ms": "Attack",
    "attack_60hz_ms": "Attack in the bass",
    "release_ms": "Release",
    "ripple_db": "Ripple",
    "settled_ratio": "Settled ratio",
    "frame_shimmer_lstar": "Ripple aliasing",
    "table_step_lstar": "Step of the table",
    "onset_lag_mean_ms": "Latency, mean",
    "onset_lag_worst_ms": "Latency, worst",
    "beat_contrast_lstar": "Contrast on the beat",
    "range_used_db": "Range used",
    "clipped_share": "Clipped",
    "idle_lstar": "Idle light",
    "quiet_lit_share": "Quiet clip lit",
    "false_light_lstar": "False light",
    "supply_mean_a": "Current, mean",
    "supply_99_a": "Current, 99 %",
    "supply_peak_a": "Current, peak",
    "flashes_per_s": "Flashes",
}
FLASH_METRIC = "flashes_per_s"
FLASH_LIMIT = 3.0


@dataclass(frozen=True)
class Target:
    """What is asked of one metric.

    Parameters
    ----------
    metric : str
        A name of METRICS.
    side : str
        "at_most" or "at_least".
    limit : float
        In the metric's unit.
    scale : float
        A miss by this much counts 1; above 0.

    Raises
    ------
    ParameterError
        For a metric or a side that there is not, or flashes beyond 3 a second.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import Target
    >>> target = Target("onset_lag_worst_ms", "at_most", limit=45.0, scale=20.0)
    >>> float(target.violation(np.array(65.0)))
    1.0
    """

    metric: str
    side: str
    limit: float
    scale: float

    def __post_init__(self) -> None:
        check_choice("metric", self.metric, tuple(METRICS))
        check_choice("side", self.side, ("at_most", "at_least"))
        check_range(f"{self.metric} {self.side}", self.limit)
        check_positive(f"{self.metric} scale", self.scale)
        if self.metric == FLASH_METRIC and (self.side != "at_most" or self.limit > FLASH_LIMIT):
            raise ParameterError(FLASH_METRIC, self.limit, f"at_most {FLASH_LIMIT:g} or stricter: it is hard")

    def violation(self, values: FloatArray) -> FloatArray:
        """Return max(0, (x − limit)/scale) of values in the metric's unit, sign reversed for a lower limit.

        Any shape. A miss by one scale is 1.
        """
        miss = values - self.limit if self.side == "at_most" else self.limit - values
        worst: FloatArray = (miss / self.scale).clip(0.0)
        return worst

    def words(self) -> str:
        """As in "latency, worst, at most 45 ms"."""
        unit, _ = METRICS[self.metric]
        name = METRIC_NAMES[self.metric]
        name = name[0].lower() + name[1:] + ("," if "," in name else "")
        limit = f"{100 * self.limit:g} %" if self.metric.endswith("share") else f"{self.limit:g} {unit}"
        return f"{name} {self.side.replace('_', ' ')} {limit}".rstrip()

    def text(self) -> str:
        """As in "attack at most 12 ms"."""
        unit, _ = METRICS[self.metric]
        return f"{self.metric} {self.side.replace('_', ' ')} {self.limit:g} {unit}".rstrip()


@dataclass(frozen=True)
class Targets:
    """Targets in the order of the design file; the flash limit is always one of them.

    Parameters
    ----------
    items : tuple of Target
        Each metric named once.

    Examples
    --------
    >>> from envlab import Target, Targets
    >>> Targets((Target("ripple_db", "at_most", 1.5, 1.0),)).flash_limit
    3.0
    """

    items: tuple[Target, ...]

    def __post_init__(self) -> None:
        names = [target.metric for target in self.items]
        for name in names:
            if names.count(name) > 1:
                raise ParameterError("targets", name, "named once")

    @property
    def flash_limit(self) -> float:
        """Most flashes in any second: 3, or less where the design asks for less."""
        asked = [target.limit for target in self.items if target.metric == FLASH_METRIC]
        return asked[0] if asked else FLASH_LIMIT

    @property
    def soft(self) -> tuple[Target, ...]:
        """The targets without the flash limit."""
        return tuple(target for target in self.items if target.metric != FLASH_METRIC)

    def known_in(self, table: pd.DataFrame) -> tuple[Target, ...]:
        """The soft targets whose metric every candidate has (a clip with the needed tag was there)."""
        return tuple(t for t in self.soft if t.metric in table and bool(table[t.metric].notna().all()))
