"""The brightness table: codes, duty_limit, look-up as integers, content equality, bad input."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.errors import ParameterError
from envlab.light.curve import CURVES, CountMap, relative_luminance
from envlab.light.lightness import lightness_table
from envlab.light.pixels import Pixels, Supply, pattern_current_a, supply_duty_limit
from envlab.light.table import LookupTable, build_octave_table, build_table, duty_words, top_code

YOKE_MAP = CountMap(10.0, 800.0)


@st.composite
def tables(draw: st.DrawFn) -> LookupTable:
    floor = draw(st.floats(0.1, 300.0))
    ceiling = floor * draw(st.floats(1.05, 500.0))
    asked = CountMap(
        floor,
        ceiling,
        draw(st.sampled_from(CURVES)),
        draw(st.floats(0.3, 5.0)),
        knee_position=draw(st.floats(0.05, 0.95)),
        knee_output=draw(st.floats(0.05, 0.95)),
    )
    bits, adc_bits = draw(st.integers(1, 16)), draw(st.integers(6, 12))
    duty_limit = draw(st.floats(1.0 / (2**bits - 1), 1.0))
    rest = draw(st.sampled_from([0.0, 0.0, 0.1, 0.5]))
    if draw(st.booleans()):
        return build_octave_table(
            asked,
            adc_bits=adc_bits,
            steps_per_octave=draw(st.sampled_from([4, 16, 64])),
            bits=bits,
            duty_limit=duty_limit,
            base_light=rest,
        )
    entries = draw(st.sampled_from([None, 16, 17, 33, 50, 65]))
    return build_table(
        asked, adc_bits=adc_bits, entries=entries, bits=bits, duty_limit=duty_limit, base_light=rest
    )


@examples(200)
@given(tables())
def test_any_table_never_falls_and_stays_under_its_cap(table):
    codes = table.look_up(np.arange(0.0, 4200.0, 3.7))
    assert np.all(np.diff(table.duty_codes) >= 0)
    assert np.all(np.diff(codes) >= 0)
    assert codes.min() >= 0
    assert codes.max() / (2**table.bits - 1) <= table.duty_limit * (1 + 1e-9)


@examples(100)
@given(tables(), st.integers(1, 40), st.integers(0, 2**32 - 1))
def test_no_count_and_no_picture_passes_the_supply(table, pixels, seed):
    # The duty limit is that of a supply; each pixel may show any count, and any part of its channels.
    chain = Pixels(count=pixels, channels=3, channel_a=0.15, idle_a=0.001)
    supply = Supply(limit_a=pixels * (0.001 + 0.45 * table.duty_limit))
    rng = np.random.default_rng(seed)
    counts = np.concatenate([rng.uniform(0.0, 5000.0, (30, pixels, 3)), np.full((1, pixels, 3), 5000.0)])
    duty = table.look_up(counts) / table.full_code
    assert float(pattern_current_a(duty, chain).max()) <= supply.limit_a * (1 + 1e-9)


def test_whole_table_of_the_yoke_reaches_its_cap_exactly():
    duty_limit = supply_duty_limit(Pixels(), Supply())
    table = build_table(YOKE_MAP, adc_bits=10, duty_limit=duty_limit)
    assert table.entries == 1024
    assert table.full_scale_counts == 1023
    assert table.duty_codes[-1] == int(duty_limit * 65535)
    assert table.duty_codes[800] == table.duty_codes[-1]
    assert table.duty_codes[9] == 0


def test_the_cap_scales_and_never_clips():
    full = build_table(YOKE_MAP, adc_bits=10)
    limited = build_table(YOKE_MAP, adc_bits=10, duty_limit=0.278)
    # Same curve, smaller: the top code lost less than one, rounding half of one, and 0.278 halves more.
    assert np.max(np.abs(limited.duty - 0.278 * full.duty)) < (1.0 + 0.5 + 0.139) / 65535
    below = limited.duty_codes[10:800]
    assert np.unique(below).size > 780


def test_unlimited_table_over_even_lightness_is_the_published_table():
    # Curve "lightness" at counts that are even in decibels gives the published 12 bit table.
    asked = CountMap(1.0, 1000.0)
    counts = 1000.0 ** (np.arange(256) / 255)
    codes = np.floor(relative_luminance(counts, asked) * 4095 + 0.5)
    assert np.array_equal(codes, lightness_table(256, 12))


def exact_look_up(codes: list[int], steps: int, full_scale: int, counts: int) -> int:
    """Interpolation in whole numbers and fractions, rounded half up."""
    place = Fraction(counts * steps, full_scale)
    low = min(int(place), steps - 1)
    value = codes[low] + (codes[low + 1] - codes[low]) * (place - low)
    return int(value + Fraction(1, 2))


@pytest.mark.parametrize("entries", [17, 50, 129, 257, 1000, 1024, 1025])
def test_look_up_equals_exact_whole_number_arithmetic(entries):
    table = build_table(YOKE_MAP, adc_bits=10, entries=entries, duty_limit=0.3)
    counts = np.arange(1024)
    steps, codes = table.entries - 1, table.duty_codes.tolist()
    expected = [exact_look_up(codes, steps, table.full_scale_counts, int(c)) for c in counts]
    assert table.look_up(counts).tolist() == expected


def test_exact_halves_are_rounded_up_as_whole_numbers_do():
    # 50 entries over 0..1000 counts: at 55 counts the place is 2.695, 100 steps of it end in exactly 69.5.
    codes = [100 * i for i in range(50)]
    table = LookupTable(np.array(codes), 16, 1000, 1.0, YOKE_MAP)
    expected = [exact_look_up(codes, 49, 1000, counts) for counts in range(1001)]
    assert table.look_up(np.arange(1001)).tolist() == expected


def test_octave_look_up_equals_exact_whole_number_arithmetic():
    table = build_octave_table(YOKE_MAP, adc_bits=10, steps_per_octave=8, duty_limit=0.3)
    codes = table.duty_codes.tolist()
    for counts in range(1025):
        # Place of the top bit, then the bits behind it: integers only.
        octave = max(counts, 1).bit_length() - 1
        place = Fraction(octave * 8) + Fraction(8 * (max(counts, 1) - (1 << octave)), 1 << octave)
        low = min(int(place), len(codes) - 2)
        value = codes[low] + (codes[low + 1] - codes[low]) * (place - low)
        assert int(table.look_up(counts)) == int(value + Fraction(1, 2))


@pytest.mark.parametrize("entries", [17, 33, 129, 1025])
def test_interpolated_tables_step_by_whole_counts(entries):
    table = build_table(YOKE_MAP, adc_bits=10, entries=entries)
    assert table.entry_counts.tolist() == [1024 * i // (entries - 1) for i in range(entries)]


def test_entries_belong_to_their_counts():
    table = build_octave_table(YOKE_MAP, adc_bits=10, steps_per_octave=16)
    assert table.entries == 161
    assert table.steps_per_octave == 16
    assert table.entry_counts[[0, 1, 16, 17, 32, 160]].tolist() == [1.0, 1.0625, 2.0, 2.125, 4.0, 1024.0]
    assert table.look_up(table.entry_counts).tolist() == table.duty_codes.tolist()
    even = build_table(YOKE_MAP, adc_bits=10, entries=200)
    assert even.look_up(even.entry_counts).tolist() == even.duty_codes.tolist()


def test_outside_the_table_its_ends_are_read():
    table = build_table(YOKE_MAP, adc_bits=10)
    assert table.look_up([-5.0, 0.0, 1023.0, 1e9]).tolist() == [
        0, 0, int(table.duty_codes[-1]), int(table.duty_codes[-1]),
    ]  # fmt: skip


def test_base_light_stays_on_when_all_is_quiet():
    table = build_table(YOKE_MAP, adc_bits=10, duty_limit=0.5, base_light=0.25)
    assert table.duty[0] == pytest.approx(0.125, abs=1e-4)
    assert table.duty[-1] == pytest.approx(0.5, abs=1e-4)


def test_tables_are_equal_by_content():
    one, two = build_table(YOKE_MAP, adc_bits=10), build_table(YOKE_MAP, adc_bits=10)
    assert one == two
    assert hash(one) == hash(two)
    assert one != replace(one, name="other")
    changed = one.duty_codes.copy()
    changed[-1] -= 1
    changed[799:] = changed[-1]
    assert one != replace(one, duty_codes=changed)
    assert one != "a table"


def test_codes_cannot_be_changed_afterwards():
    table = build_table(YOKE_MAP, adc_bits=10)
    with pytest.raises(ValueError, match="read-only"):
        table.duty_codes[0] = 1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"bits": 0}, "bits is 0; it must be a whole number from 1 to 16"),
        ({"bits": 17}, "bits"),
        ({"entries": 15}, "entries is 15; it must be a whole number from 16 to 4097"),
        ({"entries": 4098}, "entries"),
        ({"entries": 2000}, "at most 1025 for 10 bit counts"),
        ({"adc_bits": 16}, "stated, up to 4097, for 16 bit counts"),
        ({"adc_bits": 3}, "adc_bits"),
        ({"duty_limit": 1.2}, "duty_limit"),
        ({"duty_limit": 0.0}, "one code of 16 bit"),
        ({"duty_limit": 0.1, "bits": 2}, "at least 0.333"),
        ({"base_light": -0.1}, "base_light"),
    ],
)
def test_impossible_tables_are_refused(change, message):
    with pytest.raises(ParameterError, match=message):
        build_table(YOKE_MAP, **{"adc_bits": 10, **change})


@pytest.mark.parametrize("steps", [0, 3, 12, 512])
def test_octave_steps_are_powers_of_two(steps):
    with pytest.raises(ParameterError, match="steps_per_octave"):
        build_octave_table(YOKE_MAP, adc_bits=10, steps_per_octave=steps)


@pytest.mark.parametrize(
    ("codes", "message"),
    [
        ([0, 5, 4, 6], "entry 2 falls"),
        ([0, 1, 70_000], "from 0 to 65535"),
        ([-1, 0, 1], "from 0 to 65535"),
        ([0, 1, 65_535], "at most 32767, the duty limit of 0.5"),
        ([3], "at least two whole numbers"),
        ([0.0, 1.5], "whole numbers"),
    ],
)
def test_codes_that_are_no_table_are_refused(codes, message):
    with pytest.raises(ParameterError, match=message):
        LookupTable(np.array(codes), 16, 1023, 0.5, YOKE_MAP)


def test_octave_codes_must_fit_their_index():
    with pytest.raises(ParameterError, match="entries per doubling"):
        LookupTable(np.arange(40), 16, 1024, 1.0, YOKE_MAP, index="octave")


def test_a_count_that_is_no_number_is_refused():
    with pytest.raises(ParameterError, match="envelope_counts"):
        build_table(YOKE_MAP, adc_bits=10).look_up([1.0, np.nan])


def test_a_notebook_shows_what_the_table_is():
    table = build_table(YOKE_MAP, adc_bits=10, entries=17, bits=8)
    shown = table._repr_html_()
    assert "LookupTable &#x27;brightness&#x27;: 17 entries of 8 bit, top duty 1" in shown
    assert "LookupTable" in repr(table)
    assert "top duty 1<" not in repr(table)


def test_without_a_base_light_silence_is_dark():
    assert build_table(YOKE_MAP, adc_bits=10, bits=8).duty_codes[0] == 0
    assert duty_words(np.array([0.0, 1.0]), duty_limit=1.0).tolist() == [0, 65_535]


@pytest.mark.parametrize("full_scale_counts", [1000, 1])
def test_octaves_need_a_full_scale_that_is_a_power_of_two(full_scale_counts):
    # 1000 has nine doublings below it and 18 steps divide by nine; 1 has none.
    with pytest.raises(ParameterError, match="per doubling"):
        LookupTable(np.arange(19), 16, full_scale_counts, 1.0, YOKE_MAP, index="octave")


def test_one_code_is_the_least_top_that_there_is():
    assert top_code(8, 1 / 255) == 1
    with pytest.raises(ParameterError, match="duty_limit"):
        top_code(8, 0.99 / 255)


def test_the_largest_tables():
    assert build_octave_table(YOKE_MAP, adc_bits=16, steps_per_octave=256).entries == 4097
    for entries, full_scale in ((4096, 65_535), (4097, 65_536)):
        table = build_table(YOKE_MAP, adc_bits=16, entries=entries)
        assert (table.entries, table.full_scale_counts) == (entries, full_scale)
    with pytest.raises(ParameterError, match="entries"):
        build_table(YOKE_MAP, adc_bits=16, entries=4098)


@pytest.mark.parametrize("bits", [0, 17])
def test_a_depth_that_no_pixel_has_is_refused(bits):
    with pytest.raises(ParameterError, match="bits"):
        LookupTable(np.array([0, 0]), bits, 1023, 1.0, YOKE_MAP)


def test_the_table_as_rows():
    table = build_table(YOKE_MAP, adc_bits=10, entries=17, bits=8, duty_limit=0.5)
    rows = table.to_frame()
    assert rows.columns.tolist() == ["counts", "code", "duty", "lightness_lstar"]
    assert rows.index.name == "entry"
    assert rows["code"].tolist() == table.duty_codes.tolist()
    assert rows["duty"].to_numpy() == pytest.approx(table.duty_codes / 255)
    assert rows["lightness_lstar"].iloc[[0, -1]].tolist() == [0, 100]
