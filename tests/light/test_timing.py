"""Serial frames and the whole latency, against arithmetic and ITU-R BT.1359-1."""

from __future__ import annotations

import pytest

from envlab.errors import ParameterError
from envlab.light.pixels import Pixels
from envlab.light.timing import (
    SPEED_OF_SOUND_M_S,
    LatencyBudget,
    LatencyPart,
    SerialLink,
    check_sending,
    latency_budget,
    pixel_link,
    sending_s,
)


@pytest.mark.parametrize(("latch_s", "frame_ms"), [(50e-6, 1.85), (280e-6, 2.08)])
def test_sixty_pixels_by_data_sheet_practice(latch_s, frame_ms):
    # Common practice, no source: 60 × 24 × 1.25 µs = 1.8 ms, plus 50 µs or 280 µs.
    assert SerialLink(latch_s=latch_s).frame_s(60) == pytest.approx(1e-3 * frame_ms, rel=1e-12)


def test_most_pixels_by_hand():
    # 100 frames per second: (10 ms − 0.28 ms)/30 µs = 324 exactly.
    assert SerialLink().most_pixels(100.0) == 324
    SerialLink().check_frame_rate(324, 100.0)


def test_too_many_pixels_names_limit_and_nearest_values():
    # 325 pixels take 10.03 ms: 99.7 frames per second.
    with pytest.raises(
        ParameterError, match=r"pixels is 325; .*at most 324 .*at most 99\.7 frames per second"
    ):
        SerialLink().check_frame_rate(325, 100.0)
    SerialLink().check_frame_rate(325, 99.7)


def test_a_rate_that_leaves_no_time_at_all():
    assert SerialLink().most_pixels(5000.0) == 0
    with pytest.raises(ParameterError, match="at most 0 on one line"):
        SerialLink().check_frame_rate(1, 5000.0)


def test_latency_adds_up_by_hand():
    # Mean 4 + 0.5 + 2 + 5 + 1.0 + 1.25 = 13.75 ms; worst 9 + 1 + 2 + 10 + 1.0 + 2.5 = 25.5 ms.
    budget = latency_budget(
        detector_mean_s=4e-3,
        detector_worst_s=9e-3,
        adc_rate_hz=1000.0,
        follower_s=2e-3,
        frame_rate_hz=100.0,
        pixels=24,
    )
    assert SerialLink().frame_s(24) == pytest.approx(1.0e-3)
    assert 1e3 * budget.mean_s == pytest.approx(13.75)
    assert 1e3 * budget.worst_s == pytest.approx(25.5)
    assert "not noticed" in budget.words


@pytest.mark.parametrize(
    ("latency_ms", "expected"),
    # ITU-R BT.1359-1, considering g): detectability about +45 and −125 ms, acceptability +90 and −185 ms.
    [
        (44.0, "not noticed"),
        (46.0, "still accepted"),
        (89.0, "still accepted"),
        (91.0, "more than the 90 ms"),
        (-124.0, "not noticed"),
        (-126.0, "still accepted"),
        (-184.0, "still accepted"),
        (-186.0, "more than the 185 ms"),
    ],
)
def test_both_sides_of_every_threshold(latency_ms, expected):
    assert expected in LatencyBudget((LatencyPart("all", 0.0, 1e-3 * latency_ms),)).words


def test_a_watcher_far_off_hears_the_drum_later():
    # 33.1 m at 331 m/s is 100 ms.
    budget = LatencyBudget((LatencyPart("all", 0.02, 0.03),), watcher_m=0.1 * SPEED_OF_SOUND_M_S)
    assert budget.mean_s == pytest.approx(-0.08)
    assert budget.worst_s == pytest.approx(-0.07)
    assert "ahead of the drum" in budget.words


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"adc_rate_hz": 0.0}, "adc_rate_hz"),
        ({"frame_rate_hz": -1.0}, "frame_rate_hz"),
        ({"detector_worst_s": float("nan")}, "detector_worst_s"),
        ({"follower_s": -1.0}, "follower_s"),
        ({"pixels": 0}, "pixels"),
        ({"pixels": 400}, "pixels is 400"),
        ({"watcher_m": -1.0}, "watcher_m"),
    ],
)
def test_impossible_budgets_are_refused(change, name):
    asked = {
        "detector_mean_s": 4e-3,
        "detector_worst_s": 9e-3,
        "adc_rate_hz": 1000.0,
        "frame_rate_hz": 100.0,
        "pixels": 24,
    }
    with pytest.raises(ParameterError, match=name):
        latency_budget(**{**asked, **change})


@pytest.mark.parametrize("change", [{"bits_per_pixel": 0}, {"bit_s": 0.0}, {"latch_s": -1.0}])
def test_impossible_links_are_refused(change):
    with pytest.raises(ParameterError, match=next(iter(change))):
        SerialLink(**change)


def test_a_byte_a_channel_and_two_above_8_bit():
    # Common practice: 24 bit of 1.25 us a pixel of three channels and a latch of 280 us.
    assert pixel_link(3, 8) == SerialLink()
    assert pixel_link(4, 8).bits_per_pixel == 32
    assert pixel_link(3, 12).bits_per_pixel == 48
    assert sending_s(Pixels(24), 8) == pytest.approx(1.0e-3)
    assert sending_s(Pixels(1000), 8) == pytest.approx(30.28e-3)
    assert sending_s(Pixels(1000, data_lines=3), 16) == pytest.approx(334 * 60e-6 + 280e-6)


def test_what_can_be_sent_passes_and_the_words_name_what_would():
    check_sending(Pixels(24), 8, "refresh_hz", 1000.0)
    with pytest.raises(ParameterError, match=r"refresh_hz is 1001.0; it must be at most 1000 Hz"):
        check_sending(Pixels(24), 8, "refresh_hz", 1001.0)
    with pytest.raises(ParameterError) as caught:
        check_sending(Pixels(1000), 8, "frame_rate_hz", 100.0)
    assert str(caught.value) == (
        "frame_rate_hz is 100.0; it must be at most 33 Hz: sending 1000 pixels of 3 channels of 8 bit down"
        " one line takes 30.28 ms (or at most 324 pixels on a line, here data_lines = 4)"
    )
    check_sending(Pixels(1000), 8, "frame_rate_hz", 33.0)
    check_sending(Pixels(1000, data_lines=4), 8, "frame_rate_hz", 100.0)
    # At 3600 Hz the latch alone is too long: no number of lines helps, and none is offered.
    with pytest.raises(ParameterError) as caught:
        check_sending(Pixels(1), 8, "refresh_hz", 3600.0)
    assert "data_lines" not in str(caught.value)
    with pytest.raises(ParameterError, match="frame_rate_hz"):
        check_sending(Pixels(1), 8, "frame_rate_hz", 0.0)


def test_data_lines_share_the_pixels():
    assert Pixels(10, data_lines=3).longest_line == 4
    assert Pixels(9, data_lines=3).longest_line == 3
    with pytest.raises(ParameterError, match="data_lines"):
        Pixels(2, data_lines=3)
