"""The runtime's table: full light at the asked ceiling, first light near the asked floor."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.digital import fixed_kernels as kernels
from envlab.errors import ParameterError
from envlab.firmware.level_table import build_level_table
from envlab.light.curve import CountMap, relative_luminance
from envlab.light.lightness import lightness_cie1976

MAPS = [
    CountMap(4.0, 700.0),
    CountMap(1.0, 1023.0, "power", 2.2),
    CountMap(20.0, 300.0, "straight"),
    CountMap(10.0, 900.0, "decibel", light_span_db=25.0),
    CountMap(4.0, 700.0, knee_position=0.4, knee_output=0.7),
]


@pytest.mark.parametrize("count_map", MAPS, ids=lambda m: f"{m.curve} {m.knee_output}")
@pytest.mark.parametrize("adc_bits", [10, 12])
def test_light_of_every_envelope_is_that_of_the_curve(count_map, adc_bits):
    table = build_level_table(count_map, adc_bits=adc_bits)
    per_count = 1 << (16 - adc_bits)
    words = np.arange(1, min(int(1.1 * count_map.ceiling_counts * per_count), 65_536), 7)
    positions = np.array([kernels.level(int(w)) for w in words]) - table.window
    positions = np.clip(positions, 0, table.range_level)
    duty = np.array([kernels.between(table.duty_codes, int(p)) for p in positions]) / 65_535
    lit = words / per_count > table.floor_counts
    wanted = relative_luminance(words / per_count, count_map)
    difference = np.abs(lightness_cie1976(duty) - lightness_cie1976(wanted))[lit]
    # The floor gives way by at most half an entry, 0.27 dB: under 1.5 L* on these curves of 23 dB and more,
    # most where the curve starts with a jump.
    assert np.quantile(difference, 0.98) < 1.0
    assert difference[words[lit] / per_count > 1.1 * count_map.floor_counts].max() < 1.5


@pytest.mark.parametrize("count_map", MAPS, ids=lambda m: f"{m.curve} {m.knee_output}")
def test_full_light_exactly_from_the_ceiling_on(count_map):
    table = build_level_table(count_map, adc_bits=10, duty_limit=0.278)
    top = int(table.duty_codes[-1])
    assert top == math.floor(0.278 * 65_535)
    at = kernels.level(math.floor(count_map.ceiling_counts * 64))
    assert min(at - table.window, table.range_level) == table.range_level
    assert kernels.between(table.duty_codes, table.range_level) == top
    assert table.duty_codes[-1] == table.duty_codes[-2]


def test_asked_and_achieved_agree():
    table = build_level_table(CountMap(4.0, 700.0), adc_bits=10)
    assert table.ceiling_counts == pytest.approx(700.0, rel=0.001)
    assert abs(20 * math.log10(table.floor_counts / 4.0)) <= 20 * math.log10(1 + 1 / 16) / 2 + 0.01
    assert table.range_db == pytest.approx(20 * math.log10(700 / 4), abs=0.3)
    assert table.segments == len(table.duty_codes) - 2


def test_base_light_stays_on():
    table = build_level_table(CountMap(4.0, 700.0), adc_bits=10, base_light=0.01, duty_limit=0.5)
    assert table.base_duty == round(0.01 * math.floor(0.5 * 65_535))
    assert table.duty_codes[0] == table.base_duty


@pytest.mark.parametrize(
    ("count_map", "adc_bits", "name"),
    [
        (CountMap(4.0, 17_000.0), 10, "ceiling_counts"),
        (CountMap(1024.0, 2000.0), 10, "floor_counts"),
        (CountMap(0.01, 500.0), 10, "floor_counts"),
        (CountMap(0.016, 1023.0), 10, "ceiling_counts"),
        (CountMap(4.0, 60.0), 17, "adc_bits"),
        (CountMap(4.0, 60.0), 5, "adc_bits"),
        (CountMap(4.0, 60.0), True, "adc_bits"),
    ],
)
def test_what_the_format_cannot_hold_is_named(count_map, adc_bits, name):
    with pytest.raises(ParameterError) as caught:
        build_level_table(count_map, adc_bits=adc_bits)
    assert caught.value.name == name


def test_a_ceiling_beyond_full_scale_is_never_reached():
    table = build_level_table(CountMap(40.0, 2046.0), adc_bits=10)
    at_full_scale = kernels.level(1023 << 6) - table.window
    duty = kernels.between(table.duty_codes, at_full_scale) / 65_535
    assert duty == pytest.approx(float(relative_luminance(1023.0, table.count_map)), abs=0.01)
    assert duty < 0.7


def test_a_window_of_one_entry_still_works():
    table = build_level_table(CountMap(499.0, 500.0), adc_bits=10)
    assert table.segments == 1
    assert table.duty_codes.tolist() == [0, 65_535, 65_535]
