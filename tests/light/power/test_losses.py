"""A converter's losses: both points of the data sheet are met; what cannot be is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import fsolve

from envlab.errors import ParameterError
from envlab.light.pixels import Supply
from envlab.light.power.battery import supply_power_w
from envlab.light.power.losses import losses_of_one, losses_of_two


def test_by_hand():
    # 0.5 W at 75 %: 0.1667 W lost. 15 W at 90 %: 1.6667 W lost. Share 1.5/14.5, the rest is fixed.
    losses = losses_of_two(0.5, 0.75, 15.0, 0.9)
    assert losses.share == pytest.approx(1.5 / 14.5)
    assert losses.fixed_w == pytest.approx(1 / 6 - 0.5 * 1.5 / 14.5)
    # In the middle it lies between, and nearer to the better one.
    assert losses.efficiency(5.0) == pytest.approx(5 / (5 + losses.fixed_w + 5 * losses.share))
    assert 0.88 < losses.efficiency(5.0) < 0.9
    assert losses.input_w(0.0) == losses.fixed_w
    assert losses.efficiency(0.0) == 0.0


@pytest.mark.parametrize("seed", range(20))
def test_both_points_are_met_against_two_equations_solved_apart(seed):
    rng = np.random.default_rng(seed)
    light_w, full_w = np.sort(rng.uniform(0.1, 50.0, 2))
    fixed_w, share = rng.uniform(0.0, 0.5), rng.uniform(0.0, 0.4)
    points = [(w, w / (w + fixed_w + share * w)) for w in (light_w, full_w)]

    def misses(parts):
        return [w * (1 / eta - 1) - parts[0] - parts[1] * w for w, eta in points]

    solved = fsolve(misses, [0.1, 0.1])
    losses = losses_of_two(*points[0], *points[1])
    assert (losses.fixed_w, losses.share) == pytest.approx(tuple(solved), abs=1e-6)
    for w, eta in points:
        assert losses.efficiency(w) == pytest.approx(eta)


def test_one_number_for_all_loads_is_as_before():
    losses = losses_of_one(0.9)
    assert losses.fixed_w == 0
    assert supply_power_w(1.0, Supply()) == pytest.approx(5 / 0.9)
    assert losses.inputs_w(np.array([0.0, 9.0])).tolist() == pytest.approx([0.0, 10.0])


def test_a_supply_takes_its_points_from_the_data_sheet():
    supply = Supply(3.0, 5.0, 0.9, light_load_a=0.1, light_load_efficiency=0.75)
    assert supply_power_w(0.1, supply) == pytest.approx(0.5 / 0.75)
    assert supply_power_w(3.0, supply) == pytest.approx(15.0 / 0.9)
    stated = Supply(3.0, 5.0, 0.9, light_load_a=0.1, light_load_efficiency=0.75, full_load_a=2.0)
    assert supply_power_w(2.0, stated) == pytest.approx(10.0 / 0.9)


@pytest.mark.parametrize(
    ("stated", "text"),
    [
        ({"light_load_a": 0.1}, "light_load_efficiency is None; it must be stated"),
        ({"light_load_efficiency": 0.7}, "light_load_a is None; it must be stated"),
        (
            {"light_load_a": 3.0, "light_load_efficiency": 0.7},
            "light_load_a is 3.0; it must be below the 3 A",
        ),
        (
            {"light_load_a": 0.1, "light_load_efficiency": 0.95},
            "light_load_efficiency is 0.95; it must be at most the efficiency of 0.9",
        ),
        (
            {"light_load_a": 2.9, "light_load_efficiency": 0.2},
            "light_load_efficiency is 0.2; it must be at least 0.897, or the converter would lose more",
        ),
        ({"margin": 0.6}, "margin is 0.6; it must be from 0 to 0.5"),
        ({"controller_a": -0.1}, "controller_a is -0.1; it must be from 0 to 10 A"),
        ({"brown_out_v": 5.5}, "brown_out_v is 5.5; it must be from 0.5 to 5 V"),
        ({"droop_v": 0.0}, "droop_v is 0.0; it must be from 0.001 to 5 V"),
    ],
)
def test_what_cannot_be_is_refused(stated, text):
    with pytest.raises(ParameterError) as refused:
        Supply(3.0, 5.0, 0.9, **stated)
    assert text in str(refused.value)
    assert "\n" not in str(refused.value)
