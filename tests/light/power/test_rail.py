"""What a falling pack leaves of the rail, by hand; the charge that music takes, against scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from envlab.errors import ParameterError
from envlab.light.pixels import Supply
from envlab.light.power.battery import Pack
from envlab.light.power.cells import Cells, Discharge, assumed_cells, cell_v, cells_of, charge_at
from envlab.light.power.rail import brown_out_v, least_input_v, pack_v_of_rail, rail_v

TWO, ONE = Pack(cells=2), Pack(cells=1)


def test_a_converter_that_steps_down_follows_the_pack_from_its_least_input_on():
    # 5 V and half a volt: 5.5 V at the input; 5.2 V are 0.3 V too little.
    assert least_input_v(Supply(), TWO) == 5.5
    assert rail_v(6.0, Supply(), TWO) == 5.0
    assert rail_v(5.2, Supply(), TWO) == pytest.approx(4.7)
    assert rail_v(5.2, Supply(least_input_v=5.2), TWO) == 5.0
    assert rail_v(0.2, Supply(), TWO) == 0.0


def test_any_other_converter_lets_go():
    assert least_input_v(Supply(), ONE) == 3.0
    assert rail_v(3.0, Supply(), ONE) == 5.0
    assert rail_v(2.99, Supply(), ONE) == 0.0
    assert rail_v(math.nan, Supply(), TWO) == 0.0


def test_the_pack_at_which_the_rail_is_down():
    for at_v in (4.3, 4.9):
        assert rail_v(pack_v_of_rail(at_v, Supply(), TWO), Supply(), TWO) == pytest.approx(at_v)
    assert pack_v_of_rail(4.3, Supply(), ONE) == 3.0


def test_the_controllers_brown_out_is_stated_or_a_share_of_the_rail():
    assert brown_out_v(Supply()) == pytest.approx(4.3)
    assert brown_out_v(Supply(brown_out_v=2.7)) == 2.7


def test_the_charge_at_which_a_power_pulls_a_cell_down():
    cells = Cells(0.08)
    at = charge_at(3.4, 18.0, cells, -10.0)
    assert cell_v(18.0, cells, at, -10.0) == pytest.approx(3.4, abs=1e-6)


def test_a_pack_against_its_closed_form_discharge():
    """Voltage straight in the charge, no resistance: t = capacity·(E0·q + ½·slope·q²)/P, from 1 down to q."""
    low_v, high_v, power_w = 3.0, 4.2, 6.0
    cells = Cells(0.0, Pack(3.0, 2, usable_share=1.0), ((0.0, low_v), (1.0, high_v)))
    night = Discharge(np.array([power_w]), cells)
    for end in (0.0, 0.3, 0.9):
        integral = low_v * (1 - end) + 0.5 * (high_v - low_v) * (1 - end**2)
        assert night.hours(1.0, end) == pytest.approx(3.0 * 2 * integral / power_w, rel=1e-6)


def music_w(frames: int = 3000) -> np.ndarray:
    """Power of frames that have beats: little most of the time, much seldom."""
    rng = np.random.default_rng(5)
    return 0.8 + 16.0 * rng.random(frames) ** 6


@pytest.mark.parametrize("temperature_c", [25.0, -10.0])
@pytest.mark.parametrize("ohm", [0.0, 0.05, 0.12])
def test_hours_of_music_against_scipys_integration(ohm, temperature_c):
    """The mean over frames of the current that each takes at a charge, by the power equation itself."""
    power_w, cells = music_w(), Cells(ohm)
    share_w = power_w / cells.pack.cells

    def current_a(charge: float) -> float:
        volts, inside = cells.no_load_v(charge), cells.ohm_at(charge, temperature_c)
        if inside == 0:
            return float(np.mean(share_w / volts))
        return float(np.mean((volts - np.sqrt(volts**2 - 4 * inside * share_w)) / (2 * inside)))

    whole_ah = cells.pack.capacity_ah * cells.pack.usable_share
    breaks = [one for one, _ in cells.open_v if 0.35 < one < 1.0]
    expected_h, _ = quad(lambda q: whole_ah / current_a(q), 0.35, 1.0, points=breaks, limit=200)
    computed_h = Discharge(power_w, cells, temperature_c).hours(1.0, 0.35)
    assert computed_h == pytest.approx(expected_h, rel=2e-4)
    # A loud frame takes more than its share of the charge: never longer than at the mean power.
    assert computed_h <= Discharge(np.array([power_w.mean()]), cells, temperature_c).hours(1.0, 0.35) + 1e-9


def test_the_charge_after_some_hours_against_scipys_integration():
    power_w, cells = music_w(400), Cells(0.06)
    share_w = power_w / cells.pack.cells

    def falls(_: float, charge: np.ndarray) -> list[float]:
        at = min(max(float(charge[0]), 0.0), 1.0)
        volts, inside = cells.no_load_v(at), cells.ohm_at(at, 0.0)
        mean_a = float(np.mean((volts - np.sqrt(volts**2 - 4 * inside * share_w)) / (2 * inside)))
        return [-mean_a / (cells.pack.capacity_ah * cells.pack.usable_share)]

    solved = solve_ivp(falls, (0, 2.0), [1.0], t_eval=[0.5, 2.0], rtol=1e-9, max_step=0.01)
    night = Discharge(power_w, cells, 0.0)
    assert [night.charge_after(h) for h in (0.5, 2.0)] == pytest.approx(solved.y[0].tolist(), abs=2e-4)
    assert night.charge_after(0.0) == 1.0
    assert night.charge_after(1000.0) == 0.0
    assert night.hours(1.0, night.charge_after(1.3)) == pytest.approx(1.3, rel=1e-4)


def test_a_power_that_cells_cannot_give_takes_no_time():
    weak = Cells(0.3)
    assert np.isinf(Discharge(np.array([40.0]), weak).mean_current_a(np.array([0.5]))).all()


def test_a_missing_resistance_is_asked_for_in_one_line():
    with pytest.raises(ParameterError) as refused:
        cells_of(Pack())
    assert "cell_ohm is None; it must be stated where hours are asked (cell_ohm in [pack]" in str(
        refused.value
    )
    assert assumed_cells(Pack()).ohm == 0.060
    stated = Pack(cell_ohm=0.03, ohm_over_c=((-20.0, 3.0), (25.0, 1.0)), open_v=((0.0, 3.1), (1.0, 4.1)))
    cells = cells_of(stated)
    assert (cells.ohm_at(0.5, -20.0), cells.no_load_v(1.0)) == (pytest.approx(0.09), 4.1)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"cell_ohm": -0.1}, "cell_ohm is -0.1"),
        ({"open_v": ((0.0, 3.0), (0.5, 4.0))}, "points from a share of charge of 0 to 1"),
        ({"ohm_over_c": ((25.0, 1.0), (0.0, 2.0))}, "two or more (°C, times) points in rising order"),
        ({"ohm_over_charge": ((0.0, 0.0), (1.0, 1.0))}, "ohm_over_charge is 0.0"),
    ],
)
def test_impossible_cells_are_refused(change, text):
    with pytest.raises(ParameterError) as refused:
        Pack(**change)
    assert text in str(refused.value)
