"""Current and duty limit against hand calculation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.errors import ParameterError
from envlab.light.pixels import (
    Pixels,
    Supply,
    current_metrics,
    drawn_current_a,
    full_current_a,
    idle_current_a,
    limit_frame,
    pattern_current_a,
    spare_current_a,
    supply_current_a,
    supply_duty_limit,
    whole_pixels_at_full,
)

YOKE = Pixels(count=24, channels=3, channel_a=0.150, idle_a=0.0)


def test_yoke_at_full_white_by_hand():
    # 24 × 3 × 150 mA = 10.8 A; from 3 A that is 3/10.8 = 0.2778.
    assert full_current_a(YOKE) == pytest.approx(10.8)
    assert supply_duty_limit(YOKE, Supply(limit_a=3.0)) == pytest.approx(3 / 10.8)


def test_idle_current_takes_its_share_first():
    # 24 mA idle: (3 − 0.024)/10.8 = 0.27556.
    pixels = Pixels(idle_a=0.001)
    assert idle_current_a(pixels) == pytest.approx(0.024)
    assert supply_duty_limit(pixels, Supply()) == pytest.approx(2.976 / 10.8)
    assert float(supply_current_a(supply_duty_limit(pixels, Supply()), pixels)) == pytest.approx(3.0)


def test_margin_and_controller_take_their_share_of_the_limit():
    # 3 A less a tenth are 2.7 A; 30 mA of the controller and 24 mA of dark pixels leave 2.646 A of 10.8 A.
    pixels, supply = Pixels(idle_a=0.001), Supply(3.0, margin=0.1, controller_a=0.03)
    assert supply.usable_a == pytest.approx(2.7)
    assert spare_current_a(pixels, supply) == pytest.approx(2.646)
    limit = supply_duty_limit(pixels, supply)
    assert limit == pytest.approx(2.646 / 10.8)
    assert float(drawn_current_a(limit, pixels, supply)) == pytest.approx(2.7)
    assert float(drawn_current_a(0.0, pixels, supply)) == pytest.approx(0.054)
    # 2.646 A over 0.45 A: 5.88, so five whole pixels.
    assert whole_pixels_at_full(pixels, supply) == 5
    limited = limit_frame(np.ones((24, 3)), pixels, supply)
    assert float(pattern_current_a(limited, pixels)) == pytest.approx(2.67)


def test_a_controller_of_which_nothing_is_known_takes_what_is_usual():
    assert Supply(controller_a=None).counted_controller_a == 0.020
    assert Supply().counted_controller_a == 0.0
    assert Supply(3.0, margin=0.1).limit_words == "3 A less 10 %"
    assert Supply(3.0).limit_words == "3 A"


def test_a_supply_that_only_the_dark_ones_use_up_names_all_that_takes_of_it():
    with pytest.raises(ParameterError) as refused:
        supply_duty_limit(Pixels(count=100), Supply(0.13, margin=0.1, controller_a=0.02))
    # 0.117 A less 0.02 A: 97 mA, fewer than 97 dark pixels of 1 mA.
    said = str(refused.value)
    assert "above the idle current of 0.1 A of 100 dark pixels and the 0.02 A of the controller" in said
    assert "behind a margin of 10 % (or at most 96 pixels)" in said


def test_whole_pixels_by_hand():
    # 3 A over 0.45 A: 6.67, so 6 whole ones (common practice, no source: floor of limit over pixel).
    assert whole_pixels_at_full(YOKE, Supply(limit_a=3.0)) == 6
    # Exactly eight times 0.45 A.
    assert whole_pixels_at_full(YOKE, Supply(limit_a=3.6)) == 8
    assert whole_pixels_at_full(YOKE, Supply(limit_a=0.4)) == 0
    assert whole_pixels_at_full(YOKE, Supply(limit_a=100.0)) == 24


def test_three_watt_emitters_on_a_five_ampere_converter():
    # Common practice, no source: an emitter of the 3 W class takes 1.05 A from 5 V (three linear channels of
    # 350 mA); a 5 A converter carries 5/1.05 = 4.76 of them, four whole ones.
    emitters = Pixels(count=8, channels=3, channel_a=0.350, idle_a=0.0)
    assert full_current_a(emitters) / 8 == pytest.approx(1.05)
    assert whole_pixels_at_full(emitters, Supply(limit_a=5.0)) == 4


def test_switching_drive_by_hand():
    # 350 mA at 3.2 V behind 80 %: 1.12 W / 0.8 = 1.4 W = 0.28 A from 5 V.
    pixels = Pixels(1, 1, 0.350, 0.0, "switching", forward_v=3.2, drive_efficiency=0.8)
    assert full_current_a(pixels, volts=5.0) == pytest.approx(0.28)
    assert float(supply_current_a(0.5, pixels, volts=5.0)) == pytest.approx(0.14)


def test_current_over_a_clip_by_hand():
    # 1000 frames: 980 dark, 15 at half, 5 at full. Mean (15 × 5.4 + 5 × 10.8)/1000 = 0.135 A; 99 % lie at or
    # under half.
    duty = np.repeat([0.0, 0.5, 1.0], [980, 15, 5])
    metrics = current_metrics(duty, YOKE)
    assert metrics.mean_a == pytest.approx(0.135)
    assert metrics.almost_a == pytest.approx(5.4)
    assert metrics.peak_a == pytest.approx(10.8)
    with pytest.raises(ParameterError, match="at least one frame"):
        current_metrics([], YOKE)


def test_current_keeps_the_shape_of_the_duty():
    duty = np.array([[0.0, 0.5], [1.0, 0.25]])
    assert supply_current_a(duty, YOKE) == pytest.approx(10.8 * duty)


def test_pattern_current_adds_up_what_is_lit():
    duty = np.zeros((2, 24, 3))
    duty[0, 5] = [1.0, 0.5, 0.0]
    assert pattern_current_a(duty, Pixels()) == pytest.approx([0.024 + 0.225, 0.024])


@examples(100)
@given(st.integers(0, 2**32 - 1), st.floats(0.1, 12.0))
def test_limited_frames_never_pass_the_limit(seed, limit_a):
    rng = np.random.default_rng(seed)
    duty = rng.uniform(0.0, 1.0, (20, 24, 3)) * rng.uniform(0.0, 1.0, (20, 1, 1))
    limited = limit_frame(duty, Pixels(), Supply(limit_a=limit_a))
    assert np.all(pattern_current_a(limited, Pixels()) <= limit_a * (1 + 1e-12))
    within = pattern_current_a(duty, Pixels()) <= limit_a
    assert np.array_equal(limited[within], duty[within])


def test_limiter_keeps_the_proportions():
    duty = np.random.default_rng(1).uniform(0.2, 1.0, (24, 3))
    limited = limit_frame(duty, Pixels(), Supply())
    assert limited / duty == pytest.approx(limited[0, 0] / duty[0, 0])
    assert float(pattern_current_a(limited, Pixels())) == pytest.approx(3.0)


def test_supply_below_idle_names_limit_and_nearest_value():
    # 500 pixels of 1 mA idle need more than 0.5 A; 0.3 A carries fewer than 300 dark pixels.
    with pytest.raises(ParameterError, match=r"limit_a is 0.3; .*idle current of 0.5 A .*at most 299 pixels"):
        supply_duty_limit(Pixels(count=500), Supply(limit_a=0.3))


@pytest.mark.parametrize(
    "change",
    [
        {"count": 0},
        {"count": 2.5},
        {"channels": 0},
        {"channel_a": 0.0},
        {"channel_a": -0.1},
        {"idle_a": -1e-3},
        {"drive": "magic"},
        {"forward_v": 0.0},
        {"drive_efficiency": 1.1},
    ],
)
def test_impossible_pixels_are_refused(change):
    with pytest.raises(ParameterError, match=next(iter(change))):
        Pixels(**change)


@pytest.mark.parametrize(
    "change", [{"limit_a": 0.0}, {"volts": 0.0}, {"efficiency": 0.0}, {"efficiency": 2.0}]
)
def test_impossible_supplies_are_refused(change):
    with pytest.raises(ParameterError, match=next(iter(change))):
        Supply(**change)


def test_duty_outside_zero_to_one_is_refused():
    with pytest.raises(ParameterError, match="duty"):
        supply_current_a(1.5, YOKE)


def test_picture_of_the_wrong_shape_is_refused():
    with pytest.raises(ParameterError, match=r"shape \(..., 24, 3\)"):
        pattern_current_a(np.zeros((3, 24)), YOKE)
