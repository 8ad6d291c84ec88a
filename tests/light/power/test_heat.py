"""Heat and surface temperature against arithmetic by hand."""

from __future__ import annotations

import pytest

from envlab.errors import ParameterError
from envlab.light.pixels import Pixels
from envlab.light.power.heat import pixel_heat_w, surface_heat


def test_heat_of_a_pixel_by_hand():
    # 5 V × (1 mA + 0.278 × 450 mA) = 0.6305 W.
    assert pixel_heat_w(0.278, Pixels()) == pytest.approx(0.6305)
    assert pixel_heat_w(0.0, Pixels()) == pytest.approx(0.005)


def test_switching_pixels_take_what_they_take_from_the_supply():
    # 350 mA at 3.2 V behind 80 % are 1.4 W.
    assert pixel_heat_w(1.0, Pixels(1, 1, 0.35, 0.0, "switching", 3.2, 0.8)) == pytest.approx(1.4)


def test_surface_by_hand():
    # 0.63 W × 30 K/W = 18.9 K over 20 °C.
    warm = surface_heat(0.63, 30.0)
    assert warm.rise_k == pytest.approx(18.9)
    assert warm.surface_c == pytest.approx(38.9)
    assert "under the 43 °C" in warm.words


def test_both_sides_of_the_limit_for_lasting_contact():
    # 43 °C: burn threshold for contact of 8 h or more, ISO 13732-1:2006 (from memory).
    assert "under the" in surface_heat(1.0, 22.9).words
    assert "too hot" in surface_heat(1.0, 23.0).words


@pytest.mark.parametrize(
    ("arguments", "name"),
    [((-1.0, 5.0), "heat_w"), ((1.0, 0.0), "kelvin_per_watt"), ((1.0, 5.0, 200.0), "air_c")],
)
def test_impossible_heat_is_refused(arguments, name):
    with pytest.raises(ParameterError, match=name):
        surface_heat(*arguments)


def test_impossible_duty_is_refused():
    with pytest.raises(ParameterError, match="duty"):
        pixel_heat_w(1.5, Pixels())
