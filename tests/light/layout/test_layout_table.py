"""The table of a layout: the light that is poured, the sum of codes against the limit, the steps it grows by.

What each pixel should have comes from tests/reference/poured_light.py, in exact fractions.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from light.layout.layout_cases import FINE_YOKE, LAYOUTS, SCALED, TABLES, YOKE, chains, light_of
from reference.examples import examples
from reference.poured_light import height, poured_at_once, poured_in_turn

from envlab.digital.fixed_frame import (
    WORD_MOST,
    FrameWords,
    frame_codes,
    full_code,
    pixel_code,
    refresh_thresholds,
    scale_words,
)
from envlab.digital.pixel_layout import pixel_codes, pixel_duties, standing_duties
from envlab.light.layout.layout import Layout
from envlab.light.layout.table import layout_table, whole_light


def exact(layout: Layout, pixels: int, granted: Fraction, share: Fraction) -> list[Fraction]:
    """What each pixel of the standing picture should have at a share of the table's brightest duty."""
    rest = Fraction(layout.rest_light)
    at_full = pixels * (granted - rest) / (1 - rest)
    if layout.kind in ("from_end", "from_middle"):
        lit = at_full if layout.lit_share is None else pixels * Fraction(layout.lit_share)
        groups = list(range(pixels)) if layout.kind == "from_end" else [
            max(place - pixels // 2, (pixels - 1) // 2 - place) for place in range(pixels)
        ]  # fmt: skip
        if layout.ranks is not None:
            many = max(groups) + 1
            groups = [group * layout.ranks // many for group in groups]
        top = height(granted, rest, pixels, lit)
        return poured_in_turn(share * lit * (top - rest), groups, rest, top)
    if layout.kind == "weights":
        weights = [Fraction(weight) for weight in layout.weights]
        amount = min(pixels * (granted - rest), (1 - rest) * sum(weights) / max(weights))
        return poured_at_once(share * amount, weights, rest)
    lit = -(-at_full.numerator // at_full.denominator)
    lit = layout.group_pixels or (round(pixels * layout.lit_share) if layout.lit_share else lit)
    shine = set(range(lit))
    if layout.kind == "share":
        shine = {int(Fraction(2 * n + 1, 2) * pixels / lit) for n in range(lit)}
    weights = [Fraction(place in shine) for place in range(pixels)]
    top = height(granted, rest, pixels, Fraction(lit))
    return poured_at_once(share * lit * (top - rest), weights, rest)


@pytest.mark.parametrize("brightest", TABLES.values(), ids=TABLES)
@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_every_pixel_has_the_light_that_is_poured_into_it(layout, brightest):
    table = layout_table(layout, FINE_YOKE, brightest_duty=brightest)
    most = Fraction(FINE_YOKE.limit, 72 * WORD_MOST)
    granted = min(most, Fraction(brightest, WORD_MOST))
    duties = np.unique(np.linspace(0, brightest, 97).astype(np.int64))
    got = standing_duties(table, duties)
    # A rank starts at a whole duty, so it may be one duty early; its slope is rounded up at the last bit,
    # over the duties on which it rises, and the top is brought down by as much; words are rounded.
    slope = max(table.slopes) / 2**table.fraction
    steeper = min(table.span / slope, brightest) / 2**table.fraction
    for duty, shown in zip(duties.tolist(), got.tolist(), strict=True):
        wanted = exact(layout, 24, granted, Fraction(duty, brightest))
        away = [abs(one - WORD_MOST * float(other)) for one, other in zip(shown, wanted, strict=True)]
        assert max(away) <= slope + steeper + 3, (duty, away)


@pytest.mark.parametrize("brightest", TABLES.values(), ids=TABLES)
@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.parametrize("frame", [YOKE, FINE_YOKE, YOKE._replace(dither_bits=3)], ids=["8", "16", "8+3"])
def test_white_fits_the_limit_at_every_duty_and_leaves_little_of_it(frame, layout, brightest):
    table = layout_table(layout, frame, brightest_duty=brightest)
    every = np.arange(brightest + 1)
    sums = light_of(table, frame, every)
    assert sums.max() <= whole_light(table, frame, brightest) <= frame.limit
    assert (np.diff(sums) >= 0).all()
    # As much as all alike, less a code a channel for rounding (words of 16 bit are rounded twice) and the
    # last bit of slopes; or all that its pixels can give.
    alike = frame.channels * 24 * int(pixel_code(np.array(min(brightest, SCALED)), frame.bits))
    tops = standing_duties(table, np.array([brightest]))[0]
    is_full = tops[tops > table.rest].max() >= WORD_MOST - 1
    steeper = brightest / 2**table.fraction * full_code(frame.bits) / WORD_MOST
    assert sums[-1] >= alike - 72 * (frame.bits // 8 + steeper) or is_full
    assert sums[-1] <= alike <= frame.limit


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=LAYOUTS)
def test_the_light_of_the_whole_is_a_straight_line_over_the_duty(layout):
    """Within a code a channel, which is what all alike have."""
    for brightest in TABLES.values():
        table = layout_table(layout, YOKE, brightest_duty=brightest)
        every = np.arange(brightest + 1)
        sums = light_of(table, YOKE, every)
        line = sums[0] + (sums[-1] - sums[0]) * every / brightest
        assert np.abs(sums - line).max() <= 72


@examples(80)
@given(chains())
def test_no_duty_no_colour_and_no_refresh_of_any_chain_passes_the_limit(case):
    _, frame, brightest, table = case
    rng = np.random.default_rng(brightest + frame.limit)
    colours = rng.integers(0, 65_536, frame.pixels * frame.channels) | rng.choice([0, 0xF000, 0xFFFF])
    duties = np.append(rng.integers(0, brightest + 1, 60), brightest)
    asked = scale_words(np.repeat(standing_duties(table, duties), frame.channels, axis=1), colours)
    for phase in range(1 << frame.dither_bits):
        thresholds = refresh_thresholds(frame, phase)
        free = pixel_code(asked, frame.bits, thresholds)
        assert (free.sum(axis=1) <= frame.limit).all()
        # So the limiter over the frame leaves every code as it is.
        np.testing.assert_array_equal(frame_codes(frame, asked, thresholds), free)


@examples(80)
@given(chains())
def test_the_light_never_falls_while_the_duty_rises(case):
    _, frame, brightest, table = case
    every = np.unique(np.linspace(0, WORD_MOST, 4001).astype(np.int64))
    shown = standing_duties(table, every)
    assert (np.diff(shown, axis=0) >= 0).all()
    assert (shown >= table.rest).all()
    assert table.ranks <= frame.pixels
    assert whole_light(table, frame, brightest) <= frame.limit


def test_a_growing_bar_has_more_levels_than_all_alike_and_begins_with_one_code_of_one_pixel():
    duties = np.arange(SCALED + 1)
    alike = np.unique(72 * pixel_code(duties, 8))
    bar = np.unique(light_of(layout_table(Layout("from_end"), YOKE, brightest_duty=SCALED), YOKE, duties))
    assert (alike.size, bar.size) == (71, 1681)
    assert (alike[1], bar[1]) == (72, 3)
    # No step is larger than two codes of a pixel, whatever its neighbour has.
    assert np.diff(bar).max() <= 2 * 3


@pytest.mark.parametrize(("pixels", "bits"), [(1, 8), (2, 8), (10_922, 8), (10_922, 16)])
@pytest.mark.parametrize("kind", ["from_end", "from_middle", "share", "travelling"])
def test_one_pixel_and_ten_thousand(kind, pixels, bits):
    full = full_code(bits)
    frame = FrameWords(pixels, 3, bits, max(int(0.2755 * pixels * 3 * full), full), 0, 100)
    rate = {"pixels_per_second": 2.0} if kind == "travelling" else {}
    for brightest in (WORD_MOST, 18_055):
        table = layout_table(Layout(kind, **rate), frame, brightest_duty=brightest)
        codes, _ = pixel_codes(table, np.array([0, 1, brightest // 2, brightest]))
        sums = 3 * codes.sum(axis=1)
        assert (np.diff(sums) >= 0).all()
        assert sums[0] == 0 < sums[-1] <= frame.limit
        line = sums[-1] * np.array([1, brightest // 2]) / brightest
        # A code a channel, the last bit of the slopes, and one pixel that starts early.
        steeper = brightest / 2**table.fraction * full / WORD_MOST
        assert np.abs(sums[1:3] - line).max() <= 3 * pixels * (1 + steeper) + 3 * full


def test_which_pixels_light_first():
    def lit_at(layout: Layout, frame: FrameWords, duty: int) -> list[int]:
        table = layout_table(layout, frame, brightest_duty=SCALED)
        return np.flatnonzero(standing_duties(table, np.array([duty]))[0]).tolist()

    third = SCALED // 3
    assert lit_at(Layout("from_end"), YOKE, third) == [0, 1, 2]
    assert lit_at(Layout("from_middle"), YOKE, third) == [10, 11, 12, 13]
    odd = YOKE._replace(pixels=25, limit=int(25 / 24 * 5059))
    assert lit_at(Layout("from_middle"), odd, third) == [11, 12, 13]
    assert lit_at(Layout("share", lit_share=0.25), YOKE, third) == [2, 6, 10, 14, 18, 22]
    assert lit_at(Layout("travelling", group_pixels=3), YOKE, third) == [0, 1, 2]
    assert lit_at(Layout("from_end", ranks=4, lit_share=1.0), YOKE, third) == list(range(12))


def test_all_alike_is_the_common_duty_itself():
    table = layout_table(Layout(), YOKE)
    every = np.arange(WORD_MOST + 1)
    shown, _ = pixel_duties(table, every)
    assert shown.shape == (WORD_MOST + 1, 24)
    assert (shown == every[:, None]).all()
