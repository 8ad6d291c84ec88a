"""What a table states about itself, against closed forms and published counts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.light.curve import CountMap, LevelScale
from envlab.light.lightness import lightness_table
from envlab.light.table import LookupTable, build_octave_table, build_table
from envlab.light.table_facts import bottom_step_lstar, depth_advice, table_facts

YOKE_MAP = CountMap(10.0, 800.0)


@pytest.mark.parametrize(
    ("bits", "step"),
    # One code at the bottom of n bits is 903.3/(2^n − 1) L*, CIE 1976: straight foot.
    [(8, 3.54), (10, 0.883), (12, 0.221)],
)
def test_bottom_step_of_each_depth(bits, step):
    assert bottom_step_lstar(bits) == pytest.approx(step, abs=0.005)
    assert bottom_step_lstar(bits) == pytest.approx(24389 / 27 / (2**bits - 1), rel=1e-12)


def test_bottom_step_grows_under_a_cap():
    # 8 bit under 0.278: 70 codes; one of them is Y = 1/70 > 216/24389, so 116·∛(1/70) − 16 = 12.147.
    assert bottom_step_lstar(8, 0.278) == pytest.approx(116 * (1 / 70) ** (1 / 3) - 16, rel=1e-12)
    assert bottom_step_lstar(8, 0.278) == pytest.approx(12.147, abs=5e-4)


@pytest.mark.parametrize(("bits", "levels"), [(8, 174), (10, 236), (11, 254), (12, 256)])
def test_distinct_levels_of_the_published_tables(bits, levels):
    table = LookupTable(lightness_table(256, bits), bits, 255, 1.0, CountMap(1.0, 255.0))
    facts = table_facts(table)
    assert facts.distinct_levels == levels
    assert facts.entries == 256


def test_first_lit_entry_in_counts_and_decibels():
    # Map from 10 to 800 counts, 16 bit: 10 counts are Y = 0 exactly, 11 are the first with light.
    facts = table_facts(build_table(YOKE_MAP, adc_bits=10), LevelScale(110.0, 80.0))
    assert facts.first_lit_entry == 11
    assert facts.first_lit_counts == 11.0
    assert facts.first_lit_db_spl == pytest.approx(60.0)
    assert facts.top_duty == 1.0


def test_steps_of_a_hand_made_table():
    # Codes 0, 51, 255 of 255: Y 0, 0.2, 1; L* 0, 51.8372…, 100 (CIE 1976: 116·∛0.2 − 16 = 51.837).
    codes = np.array([0, 51, 255])
    facts = table_facts(LookupTable(codes, 8, 2, 1.0, CountMap(0.5, 2.0)))
    assert facts.smallest_step_lstar == pytest.approx(48.163, abs=5e-4)
    assert facts.largest_step_lstar == pytest.approx(51.837, abs=5e-4)


def test_lightness_is_relative_to_the_limited_full_light():
    # 8 bit under a duty limit of 0.2: 51 codes; the first is Y 1/51: L* 116·∛(1/51) − 16 = 15.29.
    codes = np.array([0, 1, 51])
    facts = table_facts(LookupTable(codes, 8, 2, 0.2, CountMap(0.5, 2.0)))
    assert facts.smallest_step_lstar == pytest.approx(116 * (1 / 51) ** (1 / 3) - 16)
    assert facts.largest_step_lstar == pytest.approx(100 - facts.smallest_step_lstar)
    assert facts.top_duty == pytest.approx(0.2)


def test_a_table_that_stays_dark():
    facts = table_facts(build_table(CountMap(2000.0, 3000.0), adc_bits=10), LevelScale(100.0))
    assert facts.first_lit_entry == -1
    assert math.isnan(facts.first_lit_counts)
    assert math.isnan(facts.first_lit_db_spl)
    assert facts.largest_step_lstar == 0.0


def test_one_entry_per_count_has_no_interpolation_error_of_its_own():
    facts = table_facts(build_table(YOKE_MAP, adc_bits=10))
    assert facts.interpolation_error_lstar == facts.rounding_error_lstar
    # Half a code of 65535 on the straight foot: 903.3/65535/2 = 0.0069 L*.
    assert facts.rounding_error_lstar < 0.0069 * 1.01


def test_log_spaced_index_beats_even_entries_of_the_same_number():
    even = table_facts(build_table(YOKE_MAP, adc_bits=10, entries=129))
    octave = table_facts(build_octave_table(YOKE_MAP, adc_bits=10, steps_per_octave=8))
    assert octave.entries < even.entries
    assert octave.interpolation_error_lstar < 0.5
    assert even.interpolation_error_lstar > 2.0


def test_error_of_a_coarse_table_is_that_of_its_worst_count():
    # 17 entries over 1024 counts: at 32 counts the table reads half of entry 1 (64 counts).
    table = build_table(YOKE_MAP, adc_bits=10, entries=17)
    half = (table.duty_codes[1] + 1) // 2
    assert int(table.look_up(32)) == half
    at_32 = 100 * math.log(3.2) / math.log(80)
    seen = 116 * (half / 65535) ** (1 / 3) - 16
    assert table_facts(table).interpolation_error_lstar >= abs(at_32 - seen) - 1e-9


def test_eight_bit_pixels_need_dither():
    # 1 L* at the bottom needs 903.3/(2^n − 1) <= 1: n = 10. Two bits missing: four frames a round.
    advice = depth_advice(8, 400.0)
    assert (advice.bits_needed, advice.dither_bits, advice.dither_frames) == (10, 2, 4)
    assert advice.dither_round_hz == 100.0
    assert "fast enough" in advice.words
    slow = depth_advice(8, 100.0)
    assert slow.dither_round_hz == 25.0
    assert "at least 360 frames per second" in slow.words


def test_deep_pixels_need_none():
    advice = depth_advice(16, 100.0, duty_limit=0.278)
    assert advice.dither_bits == 0
    assert "no dither needed" in advice.words
