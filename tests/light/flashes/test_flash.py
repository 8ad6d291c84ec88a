"""General flashes: both sides of every threshold of WCAG 2.2, and an independent brute-force counter.

Source of every expected number: the definition of general flash in W3C, WCAG 2.2, "general flash and red
flash thresholds", read literally; the closed forms for square light follow from it.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples
from reference.flashes import worst_flashes

from envlab.errors import ParameterError
from envlab.light.flashes.flash import count_flashes, find_flashes
from envlab.light.flashes.flash_kernels import count_flashes_rows

RATE_HZ = 100.0


def square(low: float, high: float, half_period_frames: int) -> np.ndarray:
    """Four hundred frames of light that changes every so many frames."""
    return np.where(np.arange(400) // half_period_frames % 2 == 0, low, high)


def pulses(count: int, spacing_frames: int, high: float = 1.0) -> np.ndarray:
    """So many short pulses out of the dark, then dark for two seconds."""
    light = np.zeros(100 + count * spacing_frames + 200)
    for n in range(count):
        light[100 + n * spacing_frames :][:5] = high
    return light


def test_steady_light_has_no_flash():
    assert count_flashes(np.full(500, 0.7), RATE_HZ) == 0


@pytest.mark.parametrize(("count", "expected"), [(1, 1), (2, 2), (3, 3), (4, 4), (5, 5)])
def test_pulses_within_one_second_count_one_each(count, expected):
    assert count_flashes(pulses(count, 15), RATE_HZ) == expected


def test_three_pass_and_four_do_not():
    assert find_flashes(pulses(3, 15), RATE_HZ).passes
    assert not find_flashes(pulses(4, 15), RATE_HZ).passes


@pytest.mark.parametrize(
    ("low", "high", "counts"),
    [
        (0.5, 0.599, False),  # 9.9 % of the maximum
        (0.5, 0.6, True),  # exactly 10 %, although 0.6 − 0.5 is 0.0999… in binary
        (0.5, 0.601, True),  # 10.1 %
        (0.0, 0.099, False),
        (0.0, 0.1, True),
        (0.2, 0.3, True),
        (0.7, 0.8, True),  # 0.8 − 0.7 is 0.1000…9 in binary
        (0.79, 0.89, True),  # darker state 0.79
        (0.79, 1.0, True),
        (0.81, 0.91, False),  # darker state 0.81
        (0.81, 1.0, False),
        (0.80, 1.0, False),  # exactly 0.80 is not below 0.80
        (0.7999, 1.0, True),
    ],
)
def test_both_sides_of_the_amplitude_and_of_the_darker_state(low, high, counts):
    light = square(low, high, 10)[:150]
    assert (count_flashes(light, RATE_HZ) > 0) is counts
    assert (worst_flashes(light.tolist(), RATE_HZ) > 0) is counts


@pytest.mark.parametrize("half_period", range(2, 60))
def test_square_light_has_its_closed_form(half_period):
    # A closed second holds floor(100/h) + 1 changes that are h frames apart.
    expected = (100 // half_period + 1) // 2
    assert count_flashes(square(0.0, 1.0, half_period), RATE_HZ) == expected


@pytest.mark.parametrize("offset", range(0, 34, 3))
def test_the_second_begins_anywhere(offset):
    # Pulses at 0, 0.25, 0.5, 0.75 s: four within any aligned or unaligned start of the clip.
    light = np.roll(pulses(4, 25), offset)
    assert count_flashes(light, RATE_HZ) == 4


def test_two_pairs_across_a_whole_second_mark_are_not_split():
    # Two flashes before t = 2 s and two after it, within 0.6 s: blocks of whole seconds would say 2 and 2.
    light = np.zeros(500)
    for start in (170, 185, 205, 220):
        light[start : start + 5] = 1.0
    assert count_flashes(light, RATE_HZ) == 4


@pytest.mark.parametrize(("last_frame", "expected"), [(199, 4), (200, 4), (201, 3), (202, 3)])
def test_both_edges_belong_to_the_second(last_frame, expected):
    # Three pulses from t = 1.00 s, and a fourth that is over at last_frame: exactly one second later counts.
    light = np.zeros(400)
    for start in (100, 120, 140, last_frame - 5):
        light[start : start + 5] = 1.0
    assert count_flashes(light, RATE_HZ) == expected
    assert worst_flashes(light.tolist(), RATE_HZ) == expected


def test_plateaus_do_not_end_or_double_a_change():
    once = np.repeat([0.0, 0.05, 0.09, 0.5, 0.0], 20)
    assert count_flashes(once, RATE_HZ) == 1


def test_a_rise_in_small_steps_is_one_change():
    # Twenty steps of 5 % up, twenty down, within a second: no step alone is a change, together they are.
    ramp = np.concatenate([np.zeros(10), np.linspace(0, 1, 21), np.linspace(1, 0, 21), np.zeros(60)])
    assert count_flashes(ramp, RATE_HZ) == 1


def test_small_reversals_do_not_end_a_rise():
    # Up by 20 %, back by 9 %, again and again: one rise, then one fall.
    climb = np.cumsum(np.tile([0.2, -0.09], 8))
    light = np.concatenate([[0.0], climb, [0.0] * 50])
    assert count_flashes(light, 40.0) == 1


def test_large_reversals_do_end_a_rise():
    climb = np.cumsum(np.tile([0.2, -0.1], 8))
    light = np.concatenate([[0.0], climb, [0.0] * 50])
    assert count_flashes(light, 40.0) == 8


def test_dip_above_eighty_percent_is_not_a_flash_within_a_flash():
    light = np.zeros(100)
    light[20:60] = 1.0
    light[40] = 0.85
    assert count_flashes(light, RATE_HZ) == 1
    light[40] = 0.75
    assert count_flashes(light, RATE_HZ) == 2


@pytest.mark.parametrize(("seconds", "expected"), [(1.0, 1), (4.0, 1), (11.0, 0)])
def test_slow_triangle_counts_what_lies_in_one_second(seconds, expected):
    # Up in so many seconds and down again: around the peak one second holds a rise and a fall of half a
    # second each, that is 50 %, 12.5 % and 4.5 % of the maximum.
    up = np.linspace(0.0, 0.75, int(seconds * 0.75 * RATE_HZ) + 1)
    light = np.concatenate([up, up[::-1]])
    assert count_flashes(light, RATE_HZ) == expected


def test_flashes_are_relative_to_the_brightest_state_of_the_limited_costume():
    light = 0.278 * pulses(4, 15, high=0.15)
    assert count_flashes(light, RATE_HZ) == 0
    assert count_flashes(light, RATE_HZ, full_duty=0.278) == 4


@pytest.mark.parametrize(
    ("frame_rate_hz", "half_period", "expected"),
    [(59.94, 10, 3), (60.0, 10, 3), (62.5, 10, 3), (70.0, 10, 4)],
)
def test_frame_rates_that_are_no_round_number(frame_rate_hz, half_period, expected):
    light = square(0.0, 1.0, half_period)
    assert count_flashes(light, frame_rate_hz) == expected
    assert worst_flashes(light.tolist(), frame_rate_hz) == expected


LEVELS = [0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 0.75, 0.79, 0.8, 0.81, 0.85, 0.9, 0.95, 1.0]


@examples(300)
@given(
    st.one_of(
        st.lists(st.sampled_from(LEVELS), min_size=0, max_size=60),
        st.lists(st.floats(0.0, 1.0), min_size=0, max_size=60),
    ),
    st.floats(1.0, 30.0),
)
def test_equals_brute_force(light, frame_rate_hz):
    assert count_flashes(light, frame_rate_hz) == worst_flashes(light, frame_rate_hz)


@pytest.mark.parametrize("seed", range(20))
def test_wandering_light_equals_brute_force(seed):
    # Light that wanders round the thresholds with ripple: partial changes at both ends of the second.
    rng = np.random.default_rng(seed)
    walk = np.abs(np.cumsum(rng.normal(0.0, 0.04 + 0.01 * seed, 250)) + 0.4)
    light = np.minimum(walk % 2.0, 2.0 - walk % 2.0)
    rate_hz = float(rng.uniform(12.0, 40.0))
    assert count_flashes(light, rate_hz) == worst_flashes(light.tolist(), rate_hz)


def test_rows_equal_single_clips():
    rng = np.random.default_rng(7)
    rows = np.abs(np.sin(np.cumsum(rng.normal(0.0, 0.12, (300, 700)), axis=1)))
    expected = [count_flashes(row, RATE_HZ) for row in rows]
    assert count_flashes_rows(rows, RATE_HZ).tolist() == expected
    assert len(set(expected)) > 5


def test_rows_equal_brute_force():
    rng = np.random.default_rng(8)
    rows = np.abs(np.sin(np.cumsum(rng.normal(0.0, 0.25, (40, 200)), axis=1)))
    assert count_flashes_rows(rows, 20.0).tolist() == [worst_flashes(row.tolist(), 20.0) for row in rows]


def test_report_finds_the_worst_second():
    light = np.zeros(1000)
    for start in (100, 150, 640, 655, 670, 685, 700):
        light[start : start + 5] = 1.0
    report = find_flashes(light, RATE_HZ)
    assert report.worst_per_s == 5
    assert report.worst_start_s <= 6.40
    assert report.worst_end_s >= 7.05
    assert report.worst_end_s - report.worst_start_s == pytest.approx(1.0)
    assert report.per_second.shape == (1000,)
    assert report.per_second.max() == 5
    assert report.per_second[99] == 2
    # Every pulse is one change up at its start and one down after its end.
    assert report.change_s.tolist() == pytest.approx(
        sorted(t for s in (100, 150, 640, 655, 670, 685, 700) for t in (s / 100, (s + 5) / 100))
    )


def test_report_of_a_calm_clip():
    report = find_flashes(np.full(50, 0.3), RATE_HZ)
    assert (report.worst_per_s, report.worst_start_s, report.worst_end_s) == (0, 0.0, 0.0)
    assert report.passes
    assert report.change_s.size == 0


@pytest.mark.parametrize("light", [[], [0.5]])
def test_clips_too_short_to_change(light):
    assert count_flashes(light, RATE_HZ) == 0
    assert find_flashes(light, RATE_HZ).worst_per_s == 0


@pytest.mark.parametrize("bad", [np.nan, np.inf, -0.1, 1.1])
def test_values_no_lamp_can_show_are_refused(bad):
    with pytest.raises(ParameterError, match="duty"):
        count_flashes([0.0, bad, 0.0], RATE_HZ)
    with pytest.raises(ParameterError, match="luminance"):
        count_flashes_rows(np.array([[0.0, bad, 0.0]]), RATE_HZ)


def test_duty_above_the_cap_is_refused():
    with pytest.raises(ParameterError, match=r"from 0 to 0\.278"):
        count_flashes([0.0, 0.3], RATE_HZ, full_duty=0.278)


@pytest.mark.parametrize("rate", [0.0, 0.5, -1.0, np.nan, 1e6])
def test_impossible_frame_rates_are_refused(rate):
    with pytest.raises(ParameterError, match="frame_rate_hz"):
        count_flashes([0.0, 1.0], rate)


def test_pictures_of_several_rows_are_refused():
    with pytest.raises(ParameterError, match="one value per frame"):
        count_flashes(np.zeros((3, 4)), RATE_HZ)
