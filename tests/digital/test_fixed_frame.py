"""A frame never draws more than the supply bears, 8 bit never more than 16, and dithering tells the truth."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from envlab.digital.fixed_frame import Dither, byte_duty, frame_factor, scale_words
from envlab.errors import ParameterError


def test_frame_factor_is_the_largest_that_keeps_the_limit():
    rng = np.random.default_rng(1)
    for total, limit in zip(
        rng.integers(65_537, 1 << 31, 500).tolist(), rng.integers(65_536, 1 << 24, 500).tolist(), strict=True
    ):
        factor = frame_factor(total, limit)
        if total <= limit:
            assert factor == 65_535
            continue
        assert Fraction(factor + 1, 65_536) * total <= limit
        assert Fraction(factor + 2, 65_536) * total > limit


def test_a_limited_frame_never_passes_the_limit():
    rng = np.random.default_rng(2)
    for _ in range(200):
        duties = rng.integers(0, 65_536, 72)
        limit = int(rng.integers(65_536, 72 * 65_536))
        limited = scale_words(duties, frame_factor(int(duties.sum()), limit))
        assert limited.sum() <= limit
        if duties.sum() > limit:
            assert limited.sum() >= limit * 0.99 - 72 * (1 + duties.sum() / 65_536 / 72)


def test_the_yoke_at_full_white_is_scaled_to_its_supply():
    # 24 pixels of three 150 mA channels take 10.8 A from 3 A: 3/10.8 = 0.2778 of full (hand calculation).
    full = 72 * 65_535
    limit = round(3.0 / 0.150 * 65_535)
    assert (frame_factor(full, limit) + 1) / 65_536 == pytest.approx(3.0 / 10.8, abs=2e-5)


def test_byte_duty_never_passes_the_word():
    words = np.arange(65_536)
    codes = byte_duty(words)
    assert codes[0] == 0
    assert codes[-1] == 255
    assert (codes * 65_535 <= words * 255).all()
    assert ((codes + 1) * 65_535 > words * 255 - 255).all()
    assert (np.diff(codes) >= 0).all()


@pytest.mark.parametrize("bits", [1, 2, 3, 4])
def test_a_whole_pattern_shows_the_duty_to_so_many_more_bits(bits):
    dither = Dither(bits, 4000.0)
    thresholds = np.array([dither.threshold(phase) for phase in range(1 << bits)])
    assert sorted(thresholds.tolist()) == [(256 >> bits) * k for k in range(1 << bits)]
    words = np.arange(65_536)
    shown = np.mean([byte_duty(words, int(t)) for t in thresholds], axis=0)
    exact = words * 255 / 65_535
    # A 65535th of full light, less than one step of the duty itself.
    assert (shown - exact).max() < 255 / 65_535
    assert (exact - shown).max() < 1 / (1 << bits) + 4e-3
    assert byte_duty(np.array([65_535]), 240)[0] == 255


def test_threshold_repeats_with_the_phase():
    dither = Dither(2, 800.0)
    assert [dither.threshold(phase) for phase in range(8)] == [0, 128, 64, 192, 0, 128, 64, 192]
    assert dither.repetition_hz == 200.0


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: Dither(1, 399.0), "refresh_hz"),
        (lambda: Dither(2, 799.0), "refresh_hz"),
        (lambda: Dither(1, 100.0), "refresh_hz"),
        (lambda: Dither(0, 4000.0), "bits"),
        (lambda: Dither(5, 1e6), "bits"),
        (lambda: Dither(True, 4000.0), "bits"),
        (lambda: frame_factor(-1, 70_000), "total"),
        (lambda: frame_factor(1, 65_535), "limit"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name


def test_dither_at_the_limit_is_taken():
    assert Dither(1, 400.0).repetition_hz == 200.0
