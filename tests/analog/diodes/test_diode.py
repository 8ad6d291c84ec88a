"""The diode's law: drops solved by root finding, temperature, and the Wright omega of the compiled loop."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.constants import Boltzmann, elementary_charge
from scipy.optimize import brentq
from scipy.special import wrightomega

from envlab.analog.diodes.diode import DIODE_CLASSES, Diode, diode_of
from envlab.analog.kernels import diode_kernels
from envlab.errors import ParameterError


def shockley_a(volts: float, saturation_a: float, emission: float, kelvin: float) -> float:
    """i = Is·(exp(v·q/(n·k·T)) − 1), as textbooks have it."""
    return saturation_a * math.expm1(volts * elementary_charge / (emission * Boltzmann * kelvin))


def test_thermal_voltage_at_300_kelvin():
    # kT/q = 25.852 mV at 300 K, from the defined constants of the SI
    assert Diode(1e-9, 1.0, 0.0, 1.1, temperature_c=26.85).slope_v == pytest.approx(25.852e-3, abs=5e-7)


@pytest.mark.parametrize("current_a", [1e-7, 1e-5, 1e-3, 0.05])
@pytest.mark.parametrize("kind", DIODE_CLASSES)
def test_drop_carries_the_current(kind, current_a):
    diode = diode_of(kind)
    drop_v = diode.drop_v(current_a)
    inner_v = brentq(
        lambda v: shockley_a(v, diode.saturation_a, diode.emission, 298.15) - current_a, 0, 2, xtol=1e-14
    )
    assert drop_v == pytest.approx(inner_v + current_a * diode.series_ohm, rel=1e-6)


@pytest.mark.parametrize("current_a", [1e-5, 1e-4, 1e-3])
def test_silicon_loses_one_to_three_millivolts_a_kelvin(current_a):
    # common practice, no source: about −2 mV/K
    def drop_v(temperature_c: float) -> float:
        return Diode(2.5e-9, 1.75, 0.6, 1.11, temperature_c=temperature_c).drop_v(current_a)

    for cold, warm in ((-20, -10), (-10, 25), (25, 40)):
        slope_mv_k = 1e3 * (drop_v(warm) - drop_v(cold)) / (warm - cold)
        assert -3 < slope_mv_k < -1


def test_saturation_current_follows_its_law():
    # Is(T) = Is0·(T/T0)^(3/n)·exp(Eg/(n·k)·(1/T0 − 1/T)), worked by hand at −20 °C for n = 1, Eg = 1.11 eV:
    # (253.15/298.15)³ = 0.61214; 1.11/8.617333e-5·(1/298.15 − 1/253.15) = −7.67997; product 2.829e-4
    cold = Diode(1e-9, 1.0, 0.0, 1.11, temperature_c=-20.0).saturation_now_a
    assert cold == pytest.approx(1e-9 * 0.61214 * math.exp(-7.67997), rel=1e-4)
    assert Diode(1e-9, 1.0, 0.0, 1.11).saturation_now_a == 1e-9


def test_omega_against_scipy():
    # The table stands for ω to 8e-12 of its value, from far below the knee to far above its own end.
    x = np.concatenate((np.linspace(-39.99, 79.99, 20_011), np.geomspace(80, 1e4, 200)))
    table = diode_kernels.omega_table()
    ours = np.array([diode_kernels.omega(float(one), table) for one in x])
    assert np.abs(ours / wrightomega(x) - 1).max() < 2e-11
    assert diode_kernels.omega(-41.0, table) == 0.0


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"saturation_a": 0.0}, "saturation_a is 0.0; it must be from 1e-18 to 0.01 A"),
        ({"emission": 0.5}, "emission is 0.5; it must be from 0.8 to 4"),
        ({"series_ohm": -1.0}, "series_ohm is -1.0; it must be from 0 to 10000 ohm"),
        ({"bandgap_ev": math.nan}, "bandgap_ev is nan; it must be a finite number"),
        ({"temperature_c": 200.0}, "temperature_c is 200.0; it must be from -60 to 125 °C"),
    ],
)
def test_diodes_that_cannot_be(change, text):
    with pytest.raises(ParameterError, match=f"^{text}$"):
        Diode(**{"saturation_a": 1e-9, "emission": 1.5, "series_ohm": 1.0, "bandgap_ev": 1.1} | change)


def test_class_that_is_none():
    with pytest.raises(ParameterError, match=r"^diode is 'tube'; it must be one of silicon, "):
        diode_of("tube")
