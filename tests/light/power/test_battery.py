"""Battery hours against arithmetic by hand."""

from __future__ import annotations

import pytest

from envlab.errors import ParameterError
from envlab.light.pixels import Supply
from envlab.light.power.battery import COLD_DERATING, Pack, battery_hours, pack_current_a, supply_power_w


def test_power_out_of_the_pack_by_hand():
    # 1 A × 5 V / 0.9 = 5.556 W.
    assert supply_power_w(1.0, Supply()) == pytest.approx(5.5556, abs=1e-4)


def test_hours_by_hand():
    # 3 Ah × 2 × 3.6 V × 0.8 = 17.28 Wh; at 5.4 W 3.2 h.
    assert battery_hours(5.4, Pack()) == pytest.approx(3.2)


@pytest.mark.parametrize(
    ("celsius", "share"), [(25.0, 1.0), (0.0, 0.85), (-5.0, 0.80), (-10.0, 0.75), (-20.0, 0.6)]
)
def test_cold_takes_its_share(celsius, share):
    # The derating points are common practice, no source; between two of them a straight line.
    assert battery_hours(5.4, Pack(), celsius) == pytest.approx(3.2 * share)


def test_warm_never_gives_less_than_cold():
    shares = [share for _, share in COLD_DERATING]
    assert shares == sorted(shares)


def test_fuse_current_is_that_of_the_nearly_empty_pack():
    # 16.7 W from 2 × 3.0 V: 2.78 A.
    assert pack_current_a(supply_power_w(3.0, Supply()), Pack()) == pytest.approx(2.7778, abs=1e-4)


@pytest.mark.parametrize("celsius", [-21.0, 61.0, float("nan")])
def test_temperatures_outside_the_table_are_refused(celsius):
    with pytest.raises(ParameterError, match="temperature_c"):
        battery_hours(5.0, Pack(), celsius)


def test_more_than_the_converter_gives_is_refused():
    with pytest.raises(ParameterError, match="from 0 to 3 A"):
        supply_power_w(3.1, Supply())


def test_no_load_is_refused():
    with pytest.raises(ParameterError, match="power_w"):
        battery_hours(0.0, Pack())


@pytest.mark.parametrize(
    "change",
    [
        {"capacity_ah": 0.0},
        {"cells": 0},
        {"cell_v": 0.0},
        {"empty_cell_v": 4.0},
        {"usable_share": 0.0},
        {"derating": ((0.0, 1.0),)},
        {"derating": ((0.0, 1.0), (-10.0, 0.8))},
        {"derating": ((0.0, 0.0), (10.0, 1.0))},
    ],
)
def test_impossible_packs_are_refused(change):
    with pytest.raises(ParameterError, match=next(iter(change))):
        Pack(**change)
