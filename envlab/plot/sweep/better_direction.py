"""Which way a metric is better, so that pictures can show it."""

from __future__ import annotations

from envlab.metrics.catalogue import FLASH_METRIC, METRICS, Better
from envlab.study.specification.targets import Target, Targets


def better_side(metric: str, targets: Targets) -> Better:
    """Return whether a metric of study.targets.METRICS is better high or low under these targets."""
    target = target_of(metric, targets)
    if target is not None:
        return "low" if target.side == "at_most" else "high"
    return METRICS[metric].better


def target_of(metric: str, targets: Targets) -> Target | None:
    """Return the target on a metric; the flash limit is always one."""
    if metric == FLASH_METRIC:
        return Target(FLASH_METRIC, "at_most", targets.flash_limit, 1.0)
    return next((target for target in targets.soft if target.metric == metric), None)
