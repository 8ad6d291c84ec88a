"""Floor, ceiling and the curves between them: defined points, inverses, order."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.errors import ParameterError
from envlab.light.curve import (
    CURVES,
    BrightnessMap,
    CountMap,
    LevelScale,
    counts_of_luminance,
    curve_luminance,
    luminance_position,
    relative_luminance,
)


@st.composite
def count_maps(draw: st.DrawFn) -> CountMap:
    floor = draw(st.floats(0.01, 500.0))
    return CountMap(
        floor,
        floor * draw(st.floats(1.01, 1000.0)),
        draw(st.sampled_from(CURVES)),
        draw(st.floats(0.5, 5.0)),
        draw(st.floats(6.0, 60.0)),
        draw(st.floats(0.05, 0.95)),
        draw(st.floats(0.05, 0.95)),
    )


@pytest.mark.parametrize("curve", CURVES)
def test_dark_below_the_floor_and_full_from_the_ceiling(curve):
    asked = CountMap(10.0, 800.0, curve)
    light = relative_luminance([0.0, 5.0, np.nextafter(10.0, 0.0), 800.0, 1023.0], asked)
    assert light.tolist() == [0.0, 0.0, 0.0, 1.0, 1.0]


def test_ceiling_is_full_although_the_quotient_of_logarithms_falls_short():
    asked = CountMap(94.47077321365022, 66309.12309846222)
    assert float(relative_luminance(asked.ceiling_counts, asked)) == 1.0


def test_lightness_curve_is_even_in_decibels():
    # Floor 10, ceiling 1000: 40 dB. Each 4 dB is 10 L*; CIE 1976: Y(L* 50) = (66/116)^3 = 0.18418…
    asked = CountMap(10.0, 1000.0)
    counts = 10.0 * 10 ** (np.arange(0, 41, 4) / 20)
    expected = [0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100]
    luminance = [lstar / (24389 / 27) if lstar <= 8 else ((lstar + 16) / 116) ** 3 for lstar in expected]
    assert relative_luminance(counts, asked) == pytest.approx(luminance, abs=1e-12)


def test_power_curve_is_a_power_of_the_position():
    # Half way in dB between 1 and 100 counts is 10 counts; 0.5^2.2 = 0.217637640824031.
    assert float(relative_luminance(10.0, CountMap(1.0, 100.0, "power", 2.2))) == pytest.approx(
        0.217637640824031, abs=1e-14
    )


def test_straight_curve_is_straight_in_counts():
    asked = CountMap(100.0, 500.0, "straight")
    assert relative_luminance([200.0, 300.0, 450.0], asked) == pytest.approx([0.25, 0.5, 0.875], abs=1e-15)


def test_decibel_curve_multiplies_light_by_the_same_factor_per_decibel():
    # 40 dB of sound over 20 dB of light: 2 dB of sound double nothing but 1 dB of light, factor 10^0.1.
    asked = CountMap(10.0, 1000.0, "decibel", light_span_db=20.0)
    light = relative_luminance(10.0 * 10 ** (np.arange(0, 41, 2) / 20), asked)
    assert light[1:] / light[:-1] == pytest.approx(10**0.1, rel=1e-12)
    assert light[0] == pytest.approx(0.01, rel=1e-12)


def test_knee_passes_through_its_point():
    # Half way in dB the light shall have gone 0.2 of its way: L* 20 of 100.
    asked = CountMap(1.0, 100.0, "lightness", knee_position=0.5, knee_output=0.2)
    assert float(relative_luminance(10.0, asked)) == pytest.approx(((20 + 16) / 116) ** 3, abs=1e-14)
    assert float(relative_luminance(100.0, asked)) == 1.0


@examples(200)
@given(count_maps(), st.floats(0.0, 1.0))
def test_inverse_gives_back_the_light(asked, luminance):
    lowest = 10 ** (-asked.light_span_db / 10) if asked.curve == "decibel" else 0.0
    wanted = max(luminance, lowest)
    position = luminance_position(luminance, asked)
    assert float(curve_luminance(position, asked)) == pytest.approx(wanted, abs=1e-9)


@examples(200)
@given(count_maps(), st.floats(1e-3, 1.0))
def test_counts_of_a_luminance_give_it_back(asked, luminance):
    lowest = 10 ** (-asked.light_span_db / 10) if asked.curve == "decibel" else 0.0
    counts = counts_of_luminance(luminance, asked)
    assert asked.floor_counts * (1 - 1e-12) <= float(counts) <= asked.ceiling_counts * (1 + 1e-12)
    # Steepest case: 1 % between floor and ceiling and a strong knee turn 1e-16 of the counts into 1e-11.
    back = float(relative_luminance(np.maximum(counts, asked.floor_counts), asked))
    assert back == pytest.approx(max(luminance, lowest), abs=1e-8)


@examples(200)
@given(count_maps(), st.lists(st.floats(0.0, 5000.0), min_size=2, max_size=50))
def test_more_sound_is_never_less_light(asked, counts):
    light = relative_luminance(np.sort(counts), asked)
    assert np.all(np.diff(light) >= 0.0)
    assert light.min() >= 0.0
    assert light.max() <= 1.0


def test_level_scale_both_ways():
    # Twice the pressure is 6.0206 dB (20 lg 2).
    scale = LevelScale(200.0, 94.0)
    assert scale.counts(94.0) == 200.0
    assert scale.counts(94.0 + 20 * math.log10(2)) == pytest.approx(400.0)
    assert scale.level_db_spl(100.0) == pytest.approx(87.9794, abs=1e-4)
    assert scale.level_db_spl(0.0) == -math.inf


def test_map_in_decibels_and_in_counts_are_the_same():
    asked = BrightnessMap(62.0, 98.0, "power", 1.8, knee_position=0.4, knee_output=0.3)
    scale = LevelScale(123.0, 90.0)
    there = asked.in_counts(scale)
    assert there.floor_counts == pytest.approx(123.0 * 10 ** (-28 / 20))
    assert there.ceiling_counts == pytest.approx(123.0 * 10 ** (8 / 20))
    back = there.in_db_spl(scale)
    assert back.floor_db_spl == pytest.approx(62.0)
    assert back.ceiling_db_spl == pytest.approx(98.0)
    assert (back.curve, back.exponent, back.knee_position, back.knee_output) == ("power", 1.8, 0.4, 0.3)


def test_a_step_in_the_field_moves_floor_and_ceiling_alike():
    # 6.0206 dB (20 lg 2) more sensitive: half of the counts do the same.
    shifted = CountMap(10.0, 800.0, "power", 1.7).shifted(20 * math.log10(2))
    assert shifted.floor_counts == pytest.approx(5.0)
    assert shifted.ceiling_counts == pytest.approx(400.0)
    assert (shifted.curve, shifted.exponent) == ("power", 1.7)
    with pytest.raises(ParameterError, match="offset_db"):
        shifted.shifted(41.0)


def test_words_show_floor_and_ceiling_in_both_units():
    words = CountMap(10.0, 800.0).words(LevelScale(100.0, 94.0))
    assert words == "dark below 74.0 dB SPL (10.0 counts), full from 112.1 dB SPL (800.0 counts)"


@pytest.mark.parametrize("shape", [(), (3,), (2, 5)])
def test_shape_is_kept(shape):
    assert relative_luminance(np.full(shape, 50.0), CountMap(10.0, 100.0)).shape == shape


@pytest.mark.parametrize("curve", CURVES)
def test_a_count_that_is_no_number_is_refused(curve):
    with pytest.raises(ParameterError, match="envelope_counts"):
        relative_luminance([50.0, np.nan], CountMap(10.0, 100.0, curve))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            {"floor_db_spl": 90.0, "ceiling_db_spl": 80.0},
            "ceiling_db_spl is 80.0; it must be above the floor",
        ),
        ({"floor_db_spl": 80.0, "ceiling_db_spl": 80.0}, "above the floor of 80 dB SPL"),
        ({"floor_db_spl": -1.0, "ceiling_db_spl": 80.0}, "floor_db_spl"),
        ({"floor_db_spl": 60.0, "ceiling_db_spl": 250.0}, "ceiling_db_spl"),
        ({"floor_db_spl": math.nan, "ceiling_db_spl": 80.0}, "floor_db_spl"),
        ({"floor_db_spl": 60.0, "ceiling_db_spl": 90.0, "curve": "gamma"}, "one of lightness, power"),
        ({"floor_db_spl": 60.0, "ceiling_db_spl": 90.0, "exponent": 0.0}, "exponent"),
        ({"floor_db_spl": 60.0, "ceiling_db_spl": 90.0, "knee_position": 1.0}, "knee_position"),
        ({"floor_db_spl": 60.0, "ceiling_db_spl": 90.0, "light_span_db": 0.0}, "light_span_db"),
    ],
)
def test_impossible_maps_are_refused(arguments, message):
    with pytest.raises(ParameterError, match=message):
        BrightnessMap(**arguments)


@pytest.mark.parametrize(("floor", "ceiling"), [(0.0, 10.0), (-1.0, 10.0), (10.0, 10.0), (10.0, 5.0)])
def test_impossible_counts_are_refused(floor, ceiling):
    with pytest.raises(ParameterError, match=r"_counts"):
        CountMap(floor, ceiling)


def test_less_light_than_the_decibel_curve_starts_with_belongs_to_the_floor():
    # The curve of 20 dB starts at 10^(−20/10) = 1 % (its definition); what lies below, dark too, is p = 0.
    asked = CountMap(10.0, 1000.0, "decibel", light_span_db=20.0)
    assert np.array_equal(luminance_position([0.0, 0.001, 0.00999], asked), [0.0, 0.0, 0.0])
    assert luminance_position(0.01, asked) == pytest.approx(0.0, abs=1e-12)
    assert luminance_position(0.1, asked) == pytest.approx(0.5, abs=1e-12)
    assert luminance_position(0.011, asked) == pytest.approx(10 * np.log10(1.1) / 20, abs=1e-12)


@pytest.mark.parametrize("light_span_db", [6.0, 20.0, 60.0])
def test_no_light_has_no_logarithm_and_belongs_to_the_floor(light_span_db):
    asked = CountMap(10.0, 1000.0, "decibel", light_span_db=light_span_db)
    with np.errstate(all="raise"):
        assert float(luminance_position(0.0, asked)) == 0.0
