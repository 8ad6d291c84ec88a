"""Allard's law, and the part of the visual field, against other forms of both."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.pixels import Pixels
from envlab.light.viewing import FIELD_DEG, FIELD_SHARE, FLASHING_SR, Viewing, intensity_cd


@pytest.mark.parametrize("distance_m", [1.0, 30.0, 2000.0])
@pytest.mark.parametrize("range_m", [500.0, 10_000.0, 18_520.0])
def test_the_law_written_with_the_meteorological_optical_range(distance_m, range_m):
    """CIE S 017, 17-31-025, note 2: E = I/d² · 0.05^(d/v)."""
    seen = Viewing(distance_m, transmissivity_per_km=0.05 ** (1000.0 / range_m))
    assert seen.optical_range_m == pytest.approx(range_m)
    assert seen.illuminance_lx(80.0) == pytest.approx(80.0 / distance_m**2 * 0.05 ** (distance_m / range_m))


def test_a_light_in_clear_air_falls_with_the_square_of_the_distance():
    """100 cd at 10 m make 1 lx (inverse-square law, any handbook)."""
    assert Viewing(10.0, 1.0).illuminance_lx(100.0) == pytest.approx(1.0)
    assert Viewing(20.0, 1.0).illuminance_lx(100.0) == pytest.approx(0.25)
    assert Viewing(10.0, 1.0).optical_range_m == math.inf


def test_a_nautical_mile_of_usual_air():
    """0.74 over a nautical mile is, at 0.05, a range of nearly ten of them (from memory, as lights at sea are
    rated): 0.74^(1/1.852) for each kilometre."""
    assert Viewing(transmissivity_per_km=0.74 ** (1 / 1.852)).optical_range_m / 1852 == pytest.approx(
        10, rel=6e-3
    )


def test_the_quarter_of_a_field_of_ten_degrees():
    """WCAG 2.2 rounds a quarter of the disc of 10° to 0.006 sr."""
    field_sr = 2 * math.pi * (1 - math.cos(math.radians(FIELD_DEG / 2)))
    assert round(FIELD_SHARE * field_sr, 3) == FLASHING_SR


@pytest.mark.parametrize("distance_m", [0.5, 2.0, 30.0])
def test_the_solid_angle_against_an_integral(distance_m):
    """∫∫ d/(x² + y² + d²)^(3/2) over the square, by the midpoint rule."""
    places = (np.arange(400) + 0.5) / 400 * 0.8 - 0.4
    x, y = np.meshgrid(places, places)
    summed = (distance_m / (x**2 + y**2 + distance_m**2) ** 1.5).sum() * 0.002**2
    seen = Viewing(distance_m, width_m=0.8)
    assert seen.solid_angle_sr() == pytest.approx(summed, rel=1e-5)
    assert seen.solid_angle_sr(0.25) == pytest.approx(summed / 4, rel=1e-5)


@pytest.mark.parametrize("share", [1.0, 0.25, 1 / 24])
def test_from_the_distance_told_on_it_fills_no_more_than_a_quarter_of_the_field(share):
    from_m = Viewing(width_m=0.6).small_from_m(share)
    assert Viewing(from_m, width_m=0.6).solid_angle_sr(share) == pytest.approx(FLASHING_SR)
    assert Viewing(0.9 * from_m, width_m=0.6).solid_angle_sr(share) > FLASHING_SR
    # Far off a square of 0.6 m fills 0.36/d² sr, near by a little less.
    assert from_m == pytest.approx(math.sqrt(share * 0.36 / 0.006), rel=0.02)


def test_of_nothing_no_distance_is_needed():
    assert Viewing().small_from_m(0.0) == 0.0
    assert Viewing().small_from_m(0.0005) == 0.0


def test_a_switching_drive_shines_with_the_current_of_its_emitters():
    """At 12 V and 85 % 150 mA at 3 V take 44 mA: what shines are the 150."""
    switching = Pixels(drive="switching")
    taken_a = switching.channel_supply_a(12.0)
    assert intensity_cd(taken_a, switching, Viewing(candela_per_a=20.0), volts=12.0) == pytest.approx(3.0)
    assert intensity_cd(0.15, Pixels(), Viewing(candela_per_a=20.0), volts=5.0) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"distance_m": 0.0}, "distance_m"),
        ({"distance_m": -3.0}, "above 0 m"),
        ({"distance_m": 1e5}, "10000 m"),
        ({"transmissivity_per_km": 0.0}, "above 0"),
        ({"transmissivity_per_km": 1.2}, "at most 1"),
        ({"width_m": math.nan}, "finite"),
        ({"candela_per_a": 0.0}, "cd/A"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(wrong, says):
    with pytest.raises(ParameterError, match=says) as problem:
        Viewing(**wrong)
    assert "\n" not in str(problem.value)
