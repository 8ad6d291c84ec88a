"""Per-channel tables: the hue holds, the luminance follows the curve, the supply is kept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.errors import ParameterError
from envlab.light.colour import SRGB_PRIMARIES, colour_from_hex, colour_luminance
from envlab.light.colour_tables import (
    ColourRamp,
    build_colour_tables,
    channel_sum_limit,
    plain_colour,
    preview_ramp,
)
from envlab.light.curve import CountMap, relative_luminance
from envlab.light.pixels import Pixels, Supply, pattern_current_a
from envlab.light.table import build_table

YOKE_MAP = CountMap(10.0, 800.0)
BRIGHTNESS = build_table(YOKE_MAP, adc_bits=10)
AMBER = (1.0, 0.35, 0.02)
components = st.floats(0.0, 1.0)
colours = st.tuples(components, components, components).filter(lambda light: max(light) > 0.01)


def test_plain_colour_holds_its_proportions():
    tables = build_colour_tables(plain_colour(AMBER), BRIGHTNESS)
    luminance = relative_luminance(BRIGHTNESS.entry_counts, YOKE_MAP)
    # One channel reaches full; every entry is the colour times Y within half a code.
    assert np.max(np.abs(tables.duty - luminance[:, None] * np.array(AMBER))) <= 0.5001 / 65535
    assert tables.duty_codes[-1].tolist() == [65535, round(0.35 * 65535), round(0.02 * 65535)]


def test_hue_holds_while_dimming():
    # Half a code at L* 10 (Y 0.0113, 738 codes; blue at 2 % is 15 codes) moves u′v′ by a few thousandths; the
    # step that is just seen is about 0.004 (common practice, no source).
    assert build_colour_tables(plain_colour(AMBER), BRIGHTNESS).hue_error_uv() < 0.001
    shallow = build_table(YOKE_MAP, adc_bits=10, bits=8)
    assert build_colour_tables(plain_colour(AMBER), shallow).hue_error_uv() > 0.004


def test_white_is_the_brightness_table_itself():
    tables = build_colour_tables(plain_colour((1.0, 1.0, 1.0)), BRIGHTNESS)
    for channel in range(3):
        assert np.array_equal(tables.duty_codes[:, channel], BRIGHTNESS.duty_codes)


@pytest.mark.parametrize(
    ("low", "high"), [("#ff0000", "#0000ff"), ("#ffffff", "#0000ff"), ("#400000", "#ffff80")]
)
def test_luminance_follows_the_curve_along_any_ramp(low, high):
    ramp = ColourRamp(tuple(colour_from_hex(low)), tuple(colour_from_hex(high)))
    tables = build_colour_tables(ramp, BRIGHTNESS)
    shown = colour_luminance(tables.duty) / colour_luminance(tables.duty[-1])
    wanted = relative_luminance(BRIGHTNESS.entry_counts, YOKE_MAP)
    # Half a code in each channel, over a full blue's luminance of 0.07.
    assert np.max(np.abs(shown - wanted)) < 0.5 / 65535 / 0.07 * 1.5


def test_ramp_starts_at_the_low_colour_and_ends_at_the_high_one():
    ramp = ColourRamp((1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    tables = build_colour_tables(ramp, BRIGHTNESS)
    first = tables.duty_codes[11]
    assert first[0] > 20 * first[2]
    assert tables.duty_codes[-1][0] == 0
    # Half way in L* both have the same linear share.
    assert ramp.mix(0.5).tolist() == [0.5, 0.0, 0.5]


@examples(60)
@given(
    colours, colours, st.integers(4, 16), st.integers(1, 40), st.floats(0.2, 1.2), st.integers(0, 2**32 - 1)
)
def test_no_colour_and_no_count_passes_the_supply(low, high, bits, count, share, seed):
    pixels = Pixels(count=count, channel_a=0.15, idle_a=0.001)
    supply = Supply(limit_a=count * (0.001 + 0.45 * share))
    brightness = build_table(YOKE_MAP, adc_bits=10, entries=33, bits=bits)
    tables = build_colour_tables(
        ColourRamp(low, high), brightness, channel_sum=channel_sum_limit(pixels, supply)
    )
    counts = np.random.default_rng(seed).uniform(0.0, 1100.0, (40, count))
    counts[0] = 2000.0
    duty = tables.look_up(counts) / brightness.full_code
    assert duty.min() >= 0.0
    assert duty.max() <= 1.0
    assert float(pattern_current_a(duty, pixels).max()) <= supply.limit_a * (1 + 1e-9)


def test_a_ceiling_beyond_the_table_does_not_make_its_last_entry_full():
    far = build_table(CountMap(10.0, 4000.0), adc_bits=10)
    tables = build_colour_tables(plain_colour((1.0, 1.0, 1.0)), far)
    assert np.array_equal(tables.duty_codes[:, 1], far.duty_codes)


def test_channel_sum_by_hand():
    # 2.976 A over 24 × 0.15 A: 0.8267 of duty for the three channels together.
    assert channel_sum_limit(Pixels(), Supply()) == pytest.approx(2.976 / 3.6)
    assert channel_sum_limit(Pixels(count=2), Supply()) == 3.0
    # Pure red may take its full 0.8267 where white gets 0.2756 in each channel.
    red = build_colour_tables(plain_colour((1.0, 0.0, 0.0)), BRIGHTNESS, channel_sum=2.976 / 3.6)
    assert red.duty[-1] == pytest.approx([0.8267, 0.0, 0.0], abs=1e-4)


def test_look_up_on_entries_gives_the_entries():
    tables = build_colour_tables(plain_colour(AMBER), build_table(YOKE_MAP, adc_bits=10, entries=65))
    assert np.array_equal(tables.look_up(tables.brightness.entry_counts), tables.duty_codes)
    assert tables.look_up(np.zeros((4, 5))).shape == (4, 5, 3)


def test_preview_is_coded_for_the_screen():
    # L* 0, 50, 100 of white: sRGB codes 0, 118.9 → 119 (Y 0.18419), 255.
    assert preview_ramp(plain_colour((1.0, 1.0, 1.0)), 3) == ["#000000", "#777777", "#ffffff"]
    assert len(preview_ramp(ColourRamp((1.0, 0.0, 0.0), (0.0, 0.0, 1.0)), 9, SRGB_PRIMARIES)) == 9


def test_dark_map_gives_dark_tables():
    dark = build_table(CountMap(2000.0, 3000.0), adc_bits=10)
    tables = build_colour_tables(plain_colour(AMBER), dark)
    assert tables.duty_codes.max() == 0
    assert tables.hue_error_uv() == 0.0


@pytest.mark.parametrize("light", [(0.0, 0.0, 0.0), (1.1, 0.0, 0.0), (-0.1, 0.0, 0.5)])
def test_impossible_colours_are_refused(light):
    with pytest.raises(ParameterError, match="low"):
        plain_colour(light)


def test_a_sum_too_small_for_the_depth_is_refused():
    with pytest.raises(ParameterError, match=r"channel_sum is 0\.01; .*at least 0\.0157 at 8 bit"):
        build_colour_tables(plain_colour(AMBER), build_table(YOKE_MAP, adc_bits=10, bits=8), channel_sum=0.01)


def test_other_channel_numbers_are_refused():
    with pytest.raises(ParameterError, match="3 for colour tables"):
        channel_sum_limit(Pixels(channels=4), Supply())


def test_a_count_that_is_no_number_is_refused():
    with pytest.raises(ParameterError, match="envelope_counts"):
        build_colour_tables(plain_colour(AMBER), BRIGHTNESS).look_up([np.nan])
