"""Boards with every fault, and without: the right class comes first. The whole table, 20 boards each:
`python tests/bench/invented.py faults 20`."""

from __future__ import annotations

import pytest
from bench.invented import FAULTS, bench, verdict_on

from envlab.bench.faults.fault_classes import (
    HEALTHY,
    NOTHING,
    REVERSED,
    SATURATED,
    SWAPPED,
    fault_classes,
    next_step_of,
)

QUICK = ("healthy", "no coupling", "converter saturated", "capacitor leaky")


@pytest.mark.parametrize("fault", QUICK)
def test_the_right_class_comes_first(fault):
    assert verdict_on(fault, "wire", 10, 100).startswith(FAULTS[fault][1])


@pytest.mark.slow
@pytest.mark.parametrize("fault", [name for name in FAULTS if name not in QUICK])
def test_the_right_class_comes_first_for_every_fault(fault):
    assert verdict_on(fault, "wire", 10, 100).startswith(FAULTS[fault][1])


@pytest.mark.slow
@pytest.mark.parametrize("number", [200, 209])
def test_swapped_resistors_that_read_a_few_counts_only(number):
    """Of 5 counts and 0.95 of noise; and behind an offset that hides the lower third."""
    assert verdict_on("swapped", "wire", 10, number) == SWAPPED


@pytest.mark.slow
def test_a_dead_zone_that_leaves_one_step():
    """0.565 V of 0.93: no start without a dead zone comes near; it was "cannot tell"."""
    assert verdict_on("dead zone", "wire", 10, 10_018) == "dead zone"


@pytest.mark.slow
def test_a_fit_that_says_little_makes_no_board_healthy():
    """With its resistors swapped this one shows 2 of 18 readings within the limits."""
    assert verdict_on("swapped", "wire", 10, 10_007) != HEALTHY


def test_every_fault_has_a_class_and_every_class_says_what_to_measure():
    chain = bench("wire", 10)[0].chain
    classes = fault_classes(chain)
    names = [one.name for one in classes] + [NOTHING, REVERSED, SATURATED]
    for _, right in FAULTS.values():
        assert any(name.startswith(right) for name in names), right
    assert all(len(one.next_step) > 15 for one in classes if one.name != HEALTHY)
    assert all(next_step_of(name, chain) for name in (NOTHING, REVERSED, SATURATED))
    assert len(set(names)) == len(names)
