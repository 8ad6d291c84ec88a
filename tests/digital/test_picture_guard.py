"""Where colours round otherwise than white, the guard still lets no more than three flashes through."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envlab.digital.fixed_frame import FrameWords, frame_codes, refresh_thresholds, scale_words
from envlab.digital.guard.flash_guard import run_guard
from envlab.digital.guard.picture_guard import frame_guard_words, picture_light, picture_slack_codes
from envlab.errors import ParameterError
from envlab.light.flashes.flash import count_flashes

LANTERN = np.tile([65_535, 38_000, 14_000, 65_535, 21_000, 900, 65_535, 3000, 0], 8)
YOKE = FrameWords(24, 3, 8, 5059, 0, 100)
BRIGHTEST = 18_054


def test_the_light_of_a_picture_is_the_sum_of_what_is_shown():
    duties = np.arange(0, BRIGHTEST, 97)
    for words in (YOKE, YOKE._replace(bits=12, limit=99_999), YOKE._replace(dither_bits=2)):
        asked = scale_words(duties[:, None], LANTERN)
        shown = sum(
            frame_codes(words, asked, refresh_thresholds(words, phase)).sum(axis=1)
            for phase in range(1 << words.dither_bits)
        )
        np.testing.assert_array_equal(picture_light(words, LANTERN, duties), shown)


def test_white_needs_no_slack_and_the_lantern_one_code_at_8_bit():
    assert picture_slack_codes(YOKE, np.full(72, 65_535), BRIGHTEST) == 0
    assert picture_slack_codes(YOKE, LANTERN, BRIGHTEST) == 1
    assert picture_slack_codes(YOKE, np.zeros(72), BRIGHTEST) == 0


def most_flashes_behind(words):
    """The most flashes of the lantern's light, swinging five times a second between two codes of white."""
    light = picture_light(YOKE, LANTERN, np.arange(BRIGHTEST + 1))
    most = 0
    for low in range(1, 64):
        for step in (6, 7, 8):
            # The darkest duty of one code, the lightest of the other.
            darker, lighter = 257 * low - 128, min(257 * (low + step) + 128, BRIGHTEST)
            shown = run_guard(words, np.tile(np.repeat([lighter, darker], 10), 10))[0]
            most = max(most, count_flashes(light[shown] / light[-1], 100.0))
    return most


def test_without_the_slack_the_lantern_would_flash_more_often_and_with_it_does_not():
    # White of code 56 of 70 is no longer dark, the lantern at that duty still is: 0.799 of its full light.
    plain = frame_guard_words(YOKE, 100.0, BRIGHTEST)
    assert most_flashes_behind(plain) > 3
    assert most_flashes_behind(frame_guard_words(YOKE, 100.0, BRIGHTEST, slack_codes=1)) <= 3


def test_a_colour_so_dim_that_one_code_is_a_flash_is_refused():
    slack = picture_slack_codes(YOKE, np.tile([3000, 0, 0], 24), BRIGHTEST)
    with pytest.raises(ParameterError, match="slack_codes"):
        frame_guard_words(YOKE, 100.0, BRIGHTEST, slack_codes=slack)


@st.composite
def lights(draw):
    bits = draw(st.sampled_from([8, 10, 16]))
    dither_bits = draw(st.sampled_from([0, 2])) if bits < 12 else 0
    frame = FrameWords(2, 3, bits, 6 * ((1 << bits) - 1), dither_bits, 800)
    colours = np.array(draw(st.lists(st.integers(9_000, 65_535), min_size=6, max_size=6)))
    brightest = draw(st.integers(20_000, 65_535))
    rate = draw(st.sampled_from([12.0, 30.0, 100.0]))
    # Levels a change and a little more or less apart, where rounding decides.
    steps = st.tuples(st.integers(0, 10), st.integers(-400, 400), st.integers(1, 12))
    levels = draw(st.lists(steps, min_size=4, max_size=60))
    duties = [
        np.full(hold, min(max(tenth * brightest // 10 + off, 0), brightest)) for tenth, off, hold in levels
    ]
    return frame, colours, brightest, rate, np.concatenate(duties)


@given(lights())
def test_no_picture_flashes_more_than_three_times_behind_a_guard_with_its_slack(case):
    frame, colours, brightest, rate, duties = case
    slack = picture_slack_codes(frame, colours, brightest)
    words = frame_guard_words(frame, rate, brightest, slack_codes=slack)
    shown = run_guard(words, duties)[0]
    full = picture_light(frame, colours, np.array(brightest))
    assert count_flashes(picture_light(frame, colours, shown) / full, rate) <= 3


def test_a_bad_brightest_duty_is_named():
    with pytest.raises(ParameterError, match="brightest_duty"):
        picture_slack_codes(YOKE, LANTERN, 0)
