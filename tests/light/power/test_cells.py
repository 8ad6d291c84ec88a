"""Cells with a resistance: closed forms, and the time against charge integrated by scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from envlab.errors import ParameterError
from envlab.light.power.battery import Pack, battery_hours
from envlab.light.power.cells import (
    Cells,
    Discharge,
    cell_current_a,
    cell_v,
    charge_at_the_end,
    hours_until_the_end,
)

ALWAYS = ((0.0, 3.6), (1.0, 3.6))
WARM = 25.0


def test_without_resistance_and_slope_it_is_energy_over_power():
    # battery_hours: capacity × cells × mean voltage × usable share over power.
    pack = Pack(3.0, 2, 3.6, 3.0, 0.8)
    assert hours_until_the_end(5.4, 5.4, Cells(0.0, pack, ALWAYS)) == pytest.approx(battery_hours(5.4, pack))


def test_current_is_the_root_of_the_power_equation():
    cells = Cells(0.1, Pack(cells=2), ALWAYS)
    # 3.6·i − 0.1·i² = 10 W of 20: i = (3.6 − √(12.96 − 4))/0.2.
    expected_a = (3.6 - math.sqrt(3.6**2 - 4 * 0.1 * 10)) / 0.2
    assert cell_current_a(20.0, cells, 0.5) == pytest.approx(expected_a)
    assert cell_v(20.0, cells, 0.5) * expected_a == pytest.approx(10.0)


def test_the_most_that_a_cell_gives_is_a_quarter_of_its_voltage_squared_over_its_resistance():
    # Maximum power transfer: E²/4r, at half the voltage.
    cells = Cells(0.1, Pack(cells=1), ALWAYS)
    most_w = 3.6**2 / 0.4
    assert cell_v(most_w * (1 - 1e-12), cells, 0.5) == pytest.approx(1.8, rel=1e-5)
    assert math.isnan(cell_current_a(most_w * 1.001, cells, 0.5))


def test_the_end_lies_where_the_peak_pulls_a_cell_to_its_lowest():
    cells = Cells(0.06)
    end = charge_at_the_end(20.0, cells, -10.0)
    assert 0 < end < 1
    assert cell_v(20.0, cells, end, -10.0) == pytest.approx(cells.pack.empty_cell_v, abs=1e-6)
    assert charge_at_the_end(0.1, Cells(0.0)) == pytest.approx(0.0, abs=1e-9)
    assert charge_at_the_end(100.0, Cells(0.2)) == 1


@pytest.mark.parametrize("temperature_c", [-10.0, WARM])
@pytest.mark.parametrize("ohm", [0.0, 0.04, 0.15])
def test_hours_against_charge_integrated_in_time(ohm, temperature_c):
    cells, mean_w, peak_w = Cells(ohm), 6.0, 12.0
    end = charge_at_the_end(peak_w, cells, temperature_c)

    def falls(_: float, charge: np.ndarray) -> list[float]:
        at = min(max(float(charge[0]), 0.0), 1.0)
        whole_ah = cells.pack.capacity_ah * cells.pack.usable_share
        return [-cell_current_a(mean_w, cells, at, temperature_c) / whole_ah]

    def left(_: float, charge: np.ndarray) -> float:
        return float(charge[0]) - end

    left.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(falls, (0, 100), [1.0], events=left, rtol=1e-8, atol=1e-10, max_step=0.02)
    computed_h = hours_until_the_end(mean_w, peak_w, cells, temperature_c)
    assert computed_h == pytest.approx(float(run.t_events[0][0]), rel=1e-4)


@pytest.mark.parametrize("charges", [np.linspace(1.0, 0.1, 41), np.array([0.9, 0.5, 0.45]), np.ones(3)])
def test_hours_down_to_many_charges_are_the_integral_of_each(charges):
    """scipy's adaptive quadrature of dq/i(q), told where the cells' table has its corners."""
    cells = Cells(0.05)
    fall = Discharge(np.array([2.0, 9.0, 4.0]), cells, WARM)
    whole_ah = cells.pack.capacity_ah * cells.pack.usable_share

    def per_ampere(charge: float) -> float:
        return 1 / float(fall.mean_current_a(np.array([charge]))[0])

    corners = sorted({at for at, _ in (*cells.open_v, *cells.emptier)})
    for hours, charge in zip(fall.hours_down_to(charges), charges, strict=True):
        inside = [at for at in corners if charge < at < charges[0]]
        expected, _ = quad(per_ampere, charge, charges[0], points=inside or None, limit=200)
        assert hours == pytest.approx(expected * whole_ah, rel=1e-6)
        assert hours == pytest.approx(fall.hours(charges[0], charge), rel=1e-6)


def test_cold_and_resistance_shorten_the_night():
    hours = [hours_until_the_end(6.0, 15.0, Cells(0.1), celsius) for celsius in (25.0, 0.0, -20.0)]
    assert hours == sorted(hours, reverse=True)
    assert hours_until_the_end(6.0, 15.0, Cells(0.02)) > hours[0]


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: Cells(-0.1), "ohm is -0.1; it must be from 0 to 10 ohm"),
        (lambda: Cells(0.1, open_v=((0.0, 4.0), (1.0, 3.0))), r"\(share, V\) points rising"),
        (lambda: cell_v(1.0, Cells(0.1), 0.5, -30.0), "temperature_c is -30.0; it must be from -20 to 60"),
        (lambda: hours_until_the_end(5.0, 4.0, Cells(0.1)), "peak_w is 4.0; it must be at least 5 W"),
    ],
)
def test_what_cannot_be_is_refused(call, text):
    with pytest.raises(ParameterError, match=text):
        call()
