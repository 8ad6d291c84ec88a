"""From the metrics of each clip to those of the evening: the worst over the clips that a metric speaks of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from envlab.light.pixels import Pixels, Supply, drawn_current_a
from envlab.metrics.clip_metrics import range_used_db
from envlab.sound.clip import Clip
from envlab.units import BoolArray, FloatArray

# Metrics that speak of clips with a tag alone.
TAG_OF = {"beat_contrast_lstar": "beat", "quiet_lit_share": "quiet", "false_light_lstar": "walking"}


def clips_of_metric(metric: str, clips: Sequence[Clip], judged: Sequence[bool]) -> BoolArray:
    """Return which clips a metric of clips comes from, shape (clips,): what the others give does not show.

    Parameters
    ----------
    metric
        As worst_over_clips names it.
    clips
        All of them.
    judged
        Of each whether anything is judged on it.
    """
    if metric == "range_used_db":
        levels = [clip.unweighted_db_spl for clip in clips]
        ends = sorted(level for level, shows in zip(levels, judged, strict=True) if shows)
        return np.isin(levels, [*ends[:1], *ends[-1:]])
    tag = TAG_OF.get(metric)
    return np.array([tag is None or tag in clip.tags for clip in clips])


def worst_over_clips(
    clips: Sequence[Clip], metrics: Sequence[Mapping[str, FloatArray]], pixels: Pixels, supply: Supply
) -> dict[str, FloatArray]:
    """Return metric → values, in the shape that the metrics of one clip have.

    metrics: of each clip, at least one, as metrics_of_clip.clip_columns gives them, NaN where judgeable.py
    says that it is not judged. pixels, supply: what turns duty into A. A clip on which no board is judged is
    left aside. A metric that no clip is left for, or of a tag that no clip has, is NaN; so is that of a board
    that is not judged on a clip on which others are.
    """
    missing = np.full_like(metrics[0]["clipped_share"], np.nan)

    def rows(name: str, tag: str | None) -> list[FloatArray]:
        tagged = [f[name] for f, clip in zip(metrics, clips, strict=True) if tag is None or tag in clip.tags]
        return [row for row in tagged if not np.isnan(row).all()] or [missing]

    def least(name: str, tag: str | None = None) -> FloatArray:
        return np.asarray(np.min(rows(name, tag), axis=0))

    def most(name: str, tag: str | None = None) -> FloatArray:
        return np.asarray(np.max(rows(name, tag), axis=0))

    def current_a(name: str) -> FloatArray:
        duty = most(name)
        current = drawn_current_a(np.nan_to_num(duty), pixels, supply)
        return np.where(np.isnan(duty), np.nan, current)

    return {
        "beat_contrast_lstar": least("contrast_lstar", TAG_OF["beat_contrast_lstar"]),
        "range_used_db": _range_used(clips, metrics),
        "quiet_lit_share": least("lit_share", TAG_OF["quiet_lit_share"]),
        "false_light_lstar": most("lightness_95_lstar", TAG_OF["false_light_lstar"]),
        "clipped_share": most("clipped_share"),
        "supply_mean_a": current_a("duty_mean"),
        "supply_99_a": current_a("duty_99"),
        "supply_peak_a": current_a("duty_peak"),
        "flashes_per_s": most("flashes_per_s"),
    }


def _range_used(clips: Sequence[Clip], metrics: Sequence[Mapping[str, FloatArray]]) -> FloatArray:
    """Between two loudnesses: with clips of one level only there is nothing to judge, so NaN."""
    judged = [
        (clip.unweighted_db_spl, -place)
        for place, (clip, metric) in enumerate(zip(clips, metrics, strict=True))
        if not np.isnan(metric["counts_99"]).all()
    ]
    if len({level for level, _ in judged}) < 2:
        return np.full_like(metrics[0]["counts_99"], np.nan)
    loudest = -max(judged)[1]
    quietest = -max(place for level, place in judged if level == min(judged)[0])
    return range_used_db(metrics[loudest]["counts_99"], metrics[quietest]["counts_median"])
