"""Which way a metric is better: as the targets ask; else as usual."""

from __future__ import annotations

import pytest

from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.plot.sweep.better_direction import better_side, target_of
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.pareto import WANTED

NONE = Targets(())


def test_without_targets_it_is_as_the_front_wants_it() -> None:
    assert {metric: better_side(metric, NONE) for metric in WANTED} == WANTED
    assert {better_side(metric, NONE) for metric in METRICS} == {"high", "low", "neither"}
    assert better_side("release_ms", NONE) == "neither"


def test_a_target_decides() -> None:
    targets = Targets(
        (Target("release_ms", "at_least", 100.0, 10.0), Target("attack_ms", "at_most", 5.0, 1.0))
    )
    assert better_side("release_ms", targets) == "high"
    assert better_side("attack_ms", targets) == "low"
    found = target_of("attack_ms", targets)
    assert found is not None
    assert found.limit == 5.0
    assert target_of("ripple_db", targets) is None


@pytest.mark.parametrize(("items", "limit"), [((), 3.0), ((Target(FLASH_METRIC, "at_most", 2.0, 1.0),), 2.0)])
def test_the_flash_limit_is_always_a_target(items: tuple[Target, ...], limit: float) -> None:
    found = target_of(FLASH_METRIC, Targets(items))
    assert found is not None
    assert (found.side, found.limit) == ("at_most", limit)
