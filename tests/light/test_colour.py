"""Chromaticity, luminance and screen colours against colour-science over the whole gamut."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.light.colour import (
    SRGB_PRIMARIES,
    Primaries,
    check_colour,
    chromaticity_uv,
    colour_from_hex,
    colour_from_xy,
    colour_luminance,
    preview_hex,
    preview_on_screen,
)

# Every corner, edge and inside of the cube, and dark colours.
STEPS = np.array([0.0, 1e-4, 0.01, 0.1, 0.3, 0.5, 0.8, 1.0])
CUBE = np.stack(np.meshgrid(STEPS, STEPS, STEPS, indexing="ij"), axis=-1).reshape(-1, 3)[1:]
# Measured on no part in particular: a generic set of narrow emitters (invented).
NARROW = Primaries(red=(0.69, 0.30), green=(0.17, 0.72), blue=(0.13, 0.06))


@pytest.mark.parametrize("primaries", [SRGB_PRIMARIES, NARROW])
def test_matrix_equals_colour_science(colour_science, primaries):
    corners = np.array([primaries.red, primaries.green, primaries.blue])
    expected = colour_science.normalised_primary_matrix(corners, np.array(primaries.white))
    assert primaries.to_xyz == pytest.approx(expected, abs=1e-12)


def test_matrix_equals_the_printed_one():
    # IEC 61966-2-1 prints four digits.
    printed = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    assert np.round(SRGB_PRIMARIES.to_xyz, 4).tolist() == printed


def test_uv_equals_colour_science_over_the_whole_gamut(colour_science):
    xyz = CUBE @ SRGB_PRIMARIES.to_xyz.T
    expected = colour_science.xy_to_Luv_uv(colour_science.XYZ_to_xy(xyz))
    assert np.max(np.abs(chromaticity_uv(CUBE) - expected)) < 1e-12


def test_known_chromaticities():
    # D65 is u′ 0.1978, v′ 0.4683 and the red of BT.709 0.4507, 0.5229 (CIE 1976 UCS, from memory; agrees
    # with colour-science above).
    assert chromaticity_uv((1.0, 1.0, 1.0)) == pytest.approx([0.1978, 0.4683], abs=5e-5)
    assert chromaticity_uv((1.0, 0.0, 0.0)) == pytest.approx([0.4507, 0.5229], abs=5e-5)


def test_dark_has_the_chromaticity_of_white():
    assert chromaticity_uv((0.0, 0.0, 0.0)) == pytest.approx(chromaticity_uv((1.0, 1.0, 1.0)))


def test_luminance_of_white_is_one_and_of_primaries_their_share():
    assert float(colour_luminance((1.0, 1.0, 1.0))) == pytest.approx(1.0)
    # ITU-R BT.709: 0.2126, 0.7152, 0.0722.
    assert colour_luminance(np.eye(3)) == pytest.approx([0.2126, 0.7152, 0.0722], abs=5e-5)


def test_hex_both_ways():
    for text in ("#000000", "#ffffff", "#ff8000", "#123456", "#0a0b0c"):
        assert preview_hex(colour_from_hex(text)) == text


def test_half_of_the_light_is_188_on_a_screen(colour_science):
    # sRGB (IEC 61966-2-1): linear 0.5 is coded 0.7354, that is 187.5, shown as 188.
    assert preview_hex((0.5, 0.5, 0.5)) == "#bcbcbc"
    expected = colour_science.models.eotf_inverse_sRGB(0.5) * 255
    assert int(np.floor(expected + 0.5)) == 0xBC


def test_xy_of_a_colour_comes_back():
    for light in ((1.0, 0.4, 0.1), (0.2, 1.0, 0.9), (1.0, 1.0, 1.0), (0.0, 0.0, 1.0)):
        x, y, z = SRGB_PRIMARIES.to_xyz @ np.array(light)
        found = colour_from_xy(float(x / (x + y + z)), float(y / (x + y + z)))
        assert found == pytest.approx(light, abs=1e-9)


def test_colour_outside_the_gamut_names_the_nearest_that_works():
    # x 0.70, y 0.29 is redder than the red of BT.709.
    with pytest.raises(ParameterError, match="inside the pixel's gamut; the nearest towards white") as caught:
        colour_from_xy(0.70, 0.29)
    near = str(caught.value).rsplit("(", 1)[1].rstrip(")").split(", ")
    x, y = (float(part) for part in near)
    light = colour_from_xy(x - 1e-4, y)
    assert light[0] == 1.0
    # On the way to white, so on the line from it.
    assert (y - 0.3290) / (x - 0.3127) == pytest.approx((0.29 - 0.3290) / (0.70 - 0.3127), abs=1e-3)


def test_wider_pixels_show_more_on_their_own_and_are_clipped_on_a_screen():
    assert preview_on_screen((1.0, 1.0, 1.0), NARROW) == "#ffffff"
    assert preview_on_screen((1.0, 0.0, 0.0), SRGB_PRIMARIES) == "#ff0000"
    assert preview_on_screen((0.0, 1.0, 0.0), NARROW).startswith("#00")


def test_linear_light_outside_zero_to_one_names_the_nearest():
    with pytest.raises(
        ParameterError, match=r"colour is \(1\.2, 0\.5, -0\.1\); .*nearest is \(1\.0, 0\.5, 0\.0\)"
    ):
        check_colour((1.2, 0.5, -0.1))


@pytest.mark.parametrize("bad", [(1.0, 0.5), 0.5, (np.nan, 0.0, 0.0), "red"])
def test_what_is_no_colour_is_refused(bad):
    with pytest.raises((ParameterError, ValueError)):
        check_colour(bad)


@pytest.mark.parametrize("text", ["ff8000", "#ff80", "#gg0000", "orange", ""])
def test_what_is_no_screen_colour_is_refused(text):
    with pytest.raises(ParameterError, match="six hexadecimal digits"):
        colour_from_hex(text)


def test_white_outside_the_triangle_is_refused():
    with pytest.raises(ParameterError, match="white"):
        Primaries(white=(0.7, 0.2))
