"""Which way a metric is better, so that pictures can show it."""

from __future__ import annotations

from typing import Literal

from envlab.study.specification.targets import FLASH_METRIC, Target, Targets

Side = Literal["high", "low", "neither"]

# Attack, release and settled ratio are means to an end: better is what the targets ask, if they ask.
_USUALLY: dict[str, Side] = {
    "beat_contrast_lstar": "high",
    "range_used_db": "high",
    "quiet_lit_share": "high",
    "attack_ms": "neither",
    "attack_60hz_ms": "neither",
    "release_ms": "neither",
    "settled_ratio": "neither",
}


def better_side(metric: str, targets: Targets) -> Side:
    """Return whether a metric of study.targets.METRICS is better high or low under these targets."""
    target = target_of(metric, targets)
    if target is not None:
        return "low" if target.side == "at_most" else "high"
    return _USUALLY.get(metric, "low")


def target_of(metric: str, targets: Targets) -> Target | None:
    """Return the target on a metric; the flash limit is always one."""
    if metric == FLASH_METRIC:
        return Target(FLASH_METRIC, "at_most", targets.flash_limit, 1.0)
    return next((target for target in targets.soft if target.metric == metric), None)
