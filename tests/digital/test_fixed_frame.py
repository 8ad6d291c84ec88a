"""The nearest code at any depth, a frame that uses its current and never passes it, true dither."""

from __future__ import annotations

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from envlab.digital.fixed_frame import (
    Dither,
    FrameWords,
    check_frame_words,
    dither_threshold,
    fine_duty,
    frame_codes,
    frame_factor,
    full_code,
    highest_threshold,
    most_dither_bits,
    most_word,
    pixel_code,
    refresh_thresholds,
    scale_words,
    slowest_refresh_hz,
)
from envlab.errors import ParameterError

WORDS = np.arange(65_536)
DEPTHS = range(8, 17)


@pytest.mark.parametrize("bits", range(1, 17))
def test_the_code_is_the_nearest_one_half_up_for_every_duty(bits):
    # By definition, in whole numbers: floor(duty/65535 · (2^bits - 1) + 1/2).
    full = (1 << bits) - 1
    np.testing.assert_array_equal(pixel_code(WORDS, bits), (2 * WORDS * full + 65_535) // (2 * 65_535))


@pytest.mark.parametrize("bits", DEPTHS)
def test_the_firmware_has_the_fine_duty_without_division(bits):
    places = 16 - bits
    high, low = WORDS >> bits, WORDS & full_code(bits)
    lower = low * ((1 << places) - 1) > high * full_code(bits)
    np.testing.assert_array_equal(fine_duty(WORDS, bits), WORDS - high - lower if bits < 16 else WORDS)
    exact = [Fraction(duty * full_code(bits) << places, 65_535) for duty in range(0, 65_536, 251)]
    assert fine_duty(WORDS[::251], bits).tolist() == [int(value) for value in exact]


@pytest.mark.parametrize("bits", DEPTHS)
def test_the_nearest_code_is_never_further_than_a_truncated_one(bits):
    light = WORDS / 65_535 * full_code(bits)
    off = np.abs(pixel_code(WORDS, bits) - light)
    assert off.max() <= 0.5
    if bits == 8:
        # What cutting made of it: up to a whole code too dark, half a code on average.
        cut = fine_duty(WORDS, bits) >> 8
        assert (light - cut).max() > 0.99
        assert (light - cut).mean() == pytest.approx(0.5, abs=0.01)
        assert abs((light - pixel_code(WORDS, bits)).mean()) < 1e-3


@pytest.mark.parametrize("bits", range(8, 15))
def test_a_whole_pattern_shows_the_duty_to_so_many_more_bits(bits):
    for dither_bits in range(1, most_dither_bits(bits) + 1):
        steps = 1 << dither_bits
        codes = [
            pixel_code(WORDS, bits, dither_threshold(phase, bits, dither_bits)) for phase in range(steps)
        ]
        exact = (2 * steps * WORDS * full_code(bits) + 65_535) // (2 * 65_535)
        np.testing.assert_array_equal(np.sum(codes, axis=0), exact)
        assert (np.ptp(codes, axis=0) <= 1).all()
        assert (np.array(codes)[:, 0] == 0).all()
        assert (np.array(codes)[:, -1] == full_code(bits)).all()


def test_thresholds_of_two_bits_are_evenly_spaced_and_mirrored():
    assert [dither_threshold(phase, 8, 2) for phase in range(8)] == 2 * [32, 160, 96, 224]
    assert dither_threshold(0, 8, 0) == 128
    assert dither_threshold(0, 16, 0) == 0
    assert highest_threshold(8, 2) == 224
    assert most_dither_bits(8) == 4
    assert most_dither_bits(12) == 3
    assert most_dither_bits(15) == most_dither_bits(16) == 0


def test_neighbours_are_one_phase_apart():
    words = FrameWords(3, 2, 8, 1500, 2, 800)
    assert refresh_thresholds(words, 3).tolist() == [224, 224, 32, 32, 160, 160]


@pytest.mark.parametrize("bits", DEPTHS)
def test_the_largest_duty_of_a_code_is_the_largest(bits):
    for dither_bits in range(most_dither_bits(bits) + 1):
        shown = pixel_code(WORDS, bits, highest_threshold(bits, dither_bits))
        for code in {0, 1, full_code(bits) // 3, full_code(bits) - 1, full_code(bits)}:
            assert most_word(code, bits, dither_bits) == WORDS[shown <= code].max()


def test_frame_factor_is_the_largest_that_keeps_the_limit():
    rng = np.random.default_rng(1)
    for total, limit in zip(
        rng.integers(65_537, 1 << 31, 500).tolist(), rng.integers(65_535, 1 << 24, 500).tolist(), strict=True
    ):
        factor = frame_factor(total, limit)
        if total <= limit:
            assert factor == 65_535
            continue
        assert Fraction(factor + 1, 65_536) * total <= limit
        assert Fraction(factor + 2, 65_536) * total > limit


def check_frame(words: FrameWords, duties: np.ndarray) -> None:
    """Hold all refreshes of one frame against what is promised."""
    highest = pixel_code(duties, words.bits, highest_threshold(words.bits, words.dither_bits))
    limited = highest.sum() > words.limit
    for phase in range(1 << words.dither_bits):
        thresholds = refresh_thresholds(words, phase)
        codes = frame_codes(words, duties, thresholds)
        total = int(codes.sum())
        assert total <= words.limit
        assert (codes <= full_code(words.bits)).all()
        if not limited:
            np.testing.assert_array_equal(codes, pixel_code(duties, words.bits, thresholds))
            continue
        lit = int((fine_duty(duties, words.bits) > 0).sum())
        assert total >= words.limit - lit
        if words.limit >= 20 * duties.size:
            assert total >= 0.95 * words.limit
        # In proportion to what was asked, within a code and what 16 bit of a factor leave open.
        share = words.limit / fine_duty(duties, words.bits).sum() * fine_duty(duties, words.bits)
        places = 2.0 ** (words.bits - 16)
        assert (codes >= np.minimum(share, codes + share) - 1 - 2 * places - 1e-9).all()
        assert (codes <= share + 1 + places).all()


@st.composite
def frames(draw):
    bits = draw(st.integers(8, 16))
    channels, pixels = draw(st.integers(1, 8)), draw(st.integers(1, 90))
    count, full = channels * pixels, full_code(bits)
    dither_bits = draw(st.integers(0, most_dither_bits(bits)))
    least, most = full, count * full
    # Often as near to 20 codes a channel as whole numbers allow: there the promise is tightest.
    tight = st.integers(20 * count - 3, 22 * count + 3).map(lambda value: min(max(value, least), most))
    limit = draw(st.one_of(tight, st.integers(least, most)))
    words = FrameWords(pixels, channels, bits, limit, dither_bits, 800)
    colour = st.integers(0, 65_535)
    alike = colour.map(lambda value: [value] * count)
    near = colour.map(lambda value: [min(value + k % 3, 65_535) for k in range(count)])
    duties = draw(st.one_of(alike, near, st.lists(colour, min_size=count, max_size=count)))
    return words, np.array(duties)


@given(frames())
def test_a_frame_uses_its_current_and_never_passes_it(case):
    check_frame(*case)


@pytest.mark.parametrize("bits", [8, 9, 16])
@pytest.mark.parametrize("dither_bits", [0, 1])
def test_small_frames_all_of_them(bits, dither_bits):
    if dither_bits > most_dither_bits(bits):
        return
    full = full_code(bits)
    unit = 65_535 // full
    few = sorted({0, 1, unit // 2, unit, 3 * unit, 20 * unit + 1, 32_767, 32_768, 65_534, 65_535})
    for duties in product(few, repeat=3):
        for limit in (full, full + 1, 2 * full - 1, 3 * full - 1, 3 * full):
            check_frame(FrameWords(3, 1, bits, limit, dither_bits, 800), np.array(duties))


@pytest.mark.parametrize("count", [4, 72, 255, 256, 257, 3000, 32_768])
def test_a_white_frame_that_fits_to_the_code_is_left_alone_and_one_more_is_cut_to_it(count):
    # 8 bit, limit of exactly 70 codes for every channel: 70 codes are allowed, 71 are not.
    words = FrameWords(count, 1, 8, 70 * count + min(count, 255), 0, 100)
    allowed = np.full(count, 70 * 257)
    assert (frame_codes(words, allowed) == 70).all()
    dimmed = frame_codes(words, np.full(count, 65_535))
    assert dimmed.min() >= 69
    assert dimmed.sum() >= words.limit - count


def test_the_yoke_at_full_white_uses_its_supply():
    # 24 pixels of three 150 mA channels take 10.8 A from 3 A: 3/10.8 = 0.2778 of full, 70 codes of 255
    # (hand calculation); floor(3/0.15·255) = 5100 codes fit.
    words = FrameWords(24, 3, 8, 5100, 0, 100)
    codes = frame_codes(words, np.full(72, 65_535))
    assert codes.tolist() == 72 * [70]
    deeper = frame_codes(words._replace(bits=16, limit=int(3.0 / 0.150 * 65_535)), np.full(72, 65_535))
    assert (deeper / 65_535).mean() == pytest.approx(3.0 / 10.8, abs=2e-5)


def test_the_colours_of_the_example_use_the_current_that_the_old_limiter_left_lying():
    colours = np.array([65_535, 38_000, 14_000, 65_535, 21_000, 900, 65_535, 3000, 0])
    words = FrameWords(24, 3, 8, 5059, 0, 100)
    asked = np.tile(colours, 8)
    assert frame_codes(words, asked).sum() >= 0.99 * 5059
    limited = frame_codes(words, scale_words(asked, int(0.2756 * 65_536)))
    assert limited.sum() < 0.5 * 5059


def test_frames_of_any_shape_are_shown_one_by_one():
    rng = np.random.default_rng(3)
    words = FrameWords(5, 3, 8, 1000, 0, 100)
    duties = rng.integers(0, 65_536, (4, 7, 15))
    together = frame_codes(words, duties)
    for i, j in product(range(4), range(7)):
        np.testing.assert_array_equal(together[i, j], frame_codes(words, duties[i, j]))
    assert frame_codes(words, duties[:0]).shape == (0, 7, 15)


def test_refresh_is_the_slowest_whole_multiple_that_is_not_seen():
    # 200 Hz for the whole pattern of 2^bits refreshes.
    assert slowest_refresh_hz(0, 62.5) == 62.5
    assert slowest_refresh_hz(1, 100.0) == 400.0
    assert slowest_refresh_hz(2, 62.5) == 812.5
    assert slowest_refresh_hz(1, 1000.0) == 1000.0


def test_dither_repeats_with_the_phase():
    assert Dither(2, 800.0).repetition_hz == 200.0
    assert Dither(1, 400.0).repetition_hz == 200.0


GOOD = FrameWords(24, 3, 8, 5059, 2, 800)


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: Dither(1, 399.0), "refresh_hz"),
        (lambda: Dither(2, 799.0), "refresh_hz"),
        (lambda: Dither(0, 4000.0), "bits"),
        (lambda: Dither(5, 1e6), "bits"),
        (lambda: Dither(True, 4000.0), "bits"),
        (lambda: frame_factor(-1, 70_000), "total"),
        (lambda: frame_factor(1, 65_534), "limit"),
        (lambda: check_frame_words(GOOD._replace(bits=7)), "bits"),
        (lambda: check_frame_words(GOOD._replace(bits=17)), "bits"),
        (lambda: check_frame_words(GOOD._replace(bits=True)), "bits"),
        (lambda: check_frame_words(GOOD._replace(limit=254)), "limit"),
        (lambda: check_frame_words(GOOD._replace(limit=72 * 255 + 1)), "limit"),
        (lambda: check_frame_words(GOOD._replace(dither_bits=5)), "dither_bits"),
        (lambda: check_frame_words(GOOD._replace(bits=14, limit=99_999)), "dither_bits"),
        (lambda: check_frame_words(GOOD._replace(pixels=0)), "pixels"),
        (lambda: check_frame_words(GOOD._replace(pixels=10_923, limit=9999)), "pixels"),
        (lambda: check_frame_words(GOOD._replace(channels=9)), "channels"),
        (lambda: check_frame_words(GOOD._replace(refresh_hz=0)), "refresh_hz"),
        (lambda: frame_codes(GOOD, np.zeros(71)), "duties"),
        (lambda: frame_codes(GOOD, np.full(72, 65_536)), "duties"),
        (lambda: frame_codes(GOOD, np.full(72, -1)), "duties"),
        (lambda: slowest_refresh_hz(1, 0.0), "frame_rate_hz"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name


def test_good_words_pass():
    check_frame_words(GOOD)
    check_frame_words(FrameWords(10_922, 3, 16, 65_535, 0, 1))
