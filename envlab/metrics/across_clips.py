"""From the metrics of each clip to those of the evening: the worst over the clips that a metric speaks of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from envlab.light.pixels import Pixels, Supply, supply_current_a
from envlab.metrics.clip_metrics import range_used_db
from envlab.sound.clip import Clip
from envlab.units import FloatArray


def worst_over_clips(
    clips: Sequence[Clip], metrics: Sequence[Mapping[str, FloatArray]], pixels: Pixels, supply: Supply
) -> dict[str, FloatArray]:
    """Return metric → values, in the shape that the metrics of one clip have.

    metrics: of each clip, at least one, as clip_run.clip_columns gives them. pixels, supply: what turns duty
    into A. A metric that speaks of a tag that no clip has is NaN.
    """
    missing = np.full_like(metrics[0]["clipped_share"], np.nan)

    def rows(name: str, tag: str | None) -> list[FloatArray]:
        tagged = [f[name] for f, clip in zip(metrics, clips, strict=True) if tag is None or tag in clip.tags]
        return tagged or [missing]

    def least(name: str, tag: str | None = None) -> FloatArray:
        return np.asarray(np.min(rows(name, tag), axis=0))

    def most(name: str, tag: str | None = None) -> FloatArray:
        return np.asarray(np.max(rows(name, tag), axis=0))

    def current_a(name: str) -> FloatArray:
        return np.asarray(supply_current_a(most(name), pixels, volts=supply.volts))

    return {
        "beat_contrast_lstar": least("contrast_lstar", "beat"),
        "range_used_db": _range_used(clips, metrics),
        "quiet_lit_share": least("lit_share", "quiet"),
        "false_light_lstar": most("lightness_95_lstar", "walking"),
        "clipped_share": most("clipped_share"),
        "supply_mean_a": current_a("duty_mean"),
        "supply_99_a": current_a("duty_99"),
        "supply_peak_a": current_a("duty_peak"),
        "flashes_per_s": most("flashes_per_s"),
    }


def _range_used(clips: Sequence[Clip], metrics: Sequence[Mapping[str, FloatArray]]) -> FloatArray:
    """Between two loudnesses: with clips of one level only there is nothing to judge, so NaN."""
    levels = [clip.unweighted_db_spl for clip in clips]
    loudest, quietest = levels.index(max(levels)), levels.index(min(levels))
    if levels[loudest] == levels[quietest]:
        return np.full_like(metrics[0]["counts_99"], np.nan)
    return range_used_db(metrics[loudest]["counts_99"], metrics[quietest]["counts_median"])
