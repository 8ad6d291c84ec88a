"""The guard before a layout: the light of the whole never shows a fourth flash, whatever the envelope does.

The light of the whole is summed up here pixel by pixel, by division; flashes are counted by
envlab.light.flashes.flash and, in small cases, by tests/reference/flashes.py, which is written from WCAG 2.2.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from digital.guard_lights import LIGHTS
from hypothesis import given
from hypothesis import strategies as st
from light.layout.layout_cases import LAYOUTS, SCALED, TABLES, YOKE, chains, light_of
from light.layout.layout_search import worst_whole
from reference.examples import examples
from reference.flashes import worst_flashes

from envlab.digital.fixed_frame import (
    WORD_MOST,
    FrameWords,
    full_code,
    pixel_code,
    refresh_thresholds,
    scale_words,
)
from envlab.digital.guard.flash_guard import run_guard
from envlab.digital.guard.guard_words import GuardWords
from envlab.digital.guard.picture_guard import (
    counted_bits,
    frame_guard_words,
    picture_light,
    picture_slack_codes,
)
from envlab.digital.pixel_layout import LayoutTable, standing_duties
from envlab.errors import ParameterError
from envlab.light.flashes.flash import count_flashes
from envlab.light.layout.layout import Layout
from envlab.light.layout.table import layout_table

LANTERN = np.array([[65_535, 38_000, 14_000], [65_535, 21_000, 900], [65_535, 3_000, 0]])
WHITE = np.full((1, 3), 65_535)
CLOCKS = (0.97, 1.0, 1.03)


def words_for(
    table: LayoutTable,
    frame: FrameWords,
    colours: np.ndarray,
    brightest: int,
    rate_hz: float,
    slack: int | None = None,
) -> GuardWords:
    found = picture_slack_codes(frame, colours, brightest, table)
    return frame_guard_words(
        frame,
        rate_hz,
        brightest,
        slack_codes=found if slack is None else slack,
        bits=counted_bits(frame, table),
    )


def whole_of(table: LayoutTable, frame: FrameWords, colours: np.ndarray, duties: np.ndarray) -> np.ndarray:
    """Sum of all codes at duties, over a pattern of the dither, channel by channel."""
    asked = scale_words(np.repeat(standing_duties(table, duties), frame.channels, axis=1), colours)
    pattern = range(1 << frame.dither_bits)
    codes = [pixel_code(asked, frame.bits, refresh_thresholds(frame, phase)) for phase in pattern]
    return np.sum(codes, axis=(0, 2))


def most_flashes(light: np.ndarray, rate_hz: float) -> int:
    return max(count_flashes(light, rate_hz * clock) for clock in CLOCKS)


@examples(40)
@given(chains())
def test_the_light_that_the_slack_is_found_by_is_the_sum_of_what_is_shown(case):
    _, frame, brightest, table = case
    colours = np.random.default_rng(brightest).integers(0, 65_536, frame.pixels * frame.channels)
    duties = np.unique(np.linspace(0, brightest, 301).astype(np.int64))
    found = picture_light(frame, colours, duties, table)
    np.testing.assert_array_equal(found, whole_of(table, frame, colours, duties))


# ------------------------------------------------------------------------------ every short light

SMALL = FrameWords(3, 1, 8, 60, 0, 100)
SMALL_BRIGHTEST = 20 * 257
SMALL_LAYOUTS = {
    "from end": Layout("from_end", lit_share=1.0),
    "from end, one bright": Layout("from_end"),
    "from middle, rest light": Layout("from_middle", lit_share=0.7, rest_light=0.01),
    "travelling": Layout("travelling", group_pixels=1, pixels_per_second=2.0),
    "weights": Layout("weights", weights=(1.0, 2.0, 5.0)),
}
SMALL_COLOURS = {"white": (65_535,) * 3, "each its own": (30_000, 65_535, 45_000)}


def telling_duties(whole: np.ndarray, brightest: int) -> dict[str, np.ndarray]:
    """Duties where the whole stands just at, or just short of, what makes a change."""
    full = int(whole[brightest])
    least, dark = -(-full // 10), -(-8 * full // 10)

    def first(light: int) -> int:
        return min(int(np.searchsorted(whole[: brightest + 1], light)), brightest)

    low = whole[0]
    near = (0, first(low + least) - 1, first(low + least), first(dark) - 1, brightest)
    # The two duties nearest to each other whose light differs by a change.
    above = np.searchsorted(whole[: brightest + 1], whole[: first(dark)] + least)
    at = int(np.argmin(np.where(above <= brightest, above - np.arange(above.size), brightest)))
    steep = (0, at, int(above[at]), first(dark) - 1, brightest)
    middle = (0, first(dark - least), first(dark) - 1, first(dark), brightest)
    return {"near": np.array(near), "steep": np.array(steep), "middle": np.array(middle)}


def worst_of_short(
    layout: Layout,
    colours: tuple[int, ...],
    frames: int,
    rate_hz: float,
    window: int,
    slack: int | None = None,
) -> dict[str, tuple[int, int]]:
    table = layout_table(layout, SMALL, brightest_duty=SMALL_BRIGHTEST)
    words = words_for(table, SMALL, np.array(colours), SMALL_BRIGHTEST, rate_hz, slack)
    whole = np.full(WORD_MOST + 1, -1)
    whole[: SMALL_BRIGHTEST + 1] = whole_of(table, SMALL, np.array(colours), np.arange(SMALL_BRIGHTEST + 1))
    full = int(whole[SMALL_BRIGHTEST])
    return {
        name: worst_whole(words, duties, whole, frames, window, -(-full // 10), -(-8 * full // 10))
        for name, duties in telling_duties(whole, SMALL_BRIGHTEST).items()
    }


@pytest.mark.parametrize("colours", SMALL_COLOURS.values(), ids=SMALL_COLOURS)
@pytest.mark.parametrize("layout", SMALL_LAYOUTS.values(), ids=SMALL_LAYOUTS)
def test_every_light_of_8_frames(layout, colours):
    found = worst_of_short(layout, colours, 8, 7.0, 7)
    assert {worst for worst, _ in found.values()} == {7}, "a fourth flash is shown, or no row can have one"
    assert all(altered > 100 for _, altered in found.values())


@pytest.mark.slow_firmware
@pytest.mark.parametrize("colours", SMALL_COLOURS.values(), ids=SMALL_COLOURS)
@pytest.mark.parametrize("layout", SMALL_LAYOUTS.values(), ids=SMALL_LAYOUTS)
def test_every_light_of_10_frames_by_a_clock_that_is_fast(layout, colours):
    found = worst_of_short(layout, colours, 10, 7.77, 8)
    assert {worst for worst, _ in found.values()} == {7}


def test_without_the_slack_the_search_finds_a_fourth_flash():
    """So that the search above could find one."""
    found = worst_of_short(SMALL_LAYOUTS["from end"], SMALL_COLOURS["each its own"], 8, 7.0, 7, slack=0)
    assert max(worst for worst, _ in found.values()) > 7


# ------------------------------------------------------------------ any chain, bred and seeded lights


@st.composite
def lights(draw: st.DrawFn) -> tuple[FrameWords, LayoutTable, np.ndarray, int, float, np.ndarray]:
    _, frame, brightest, table = draw(chains())
    colour = st.integers(9_000, 65_535) | st.just(65_535)
    colours = np.array(draw(st.lists(colour, min_size=3, max_size=3)))
    rate_hz = draw(st.sampled_from([12.0, 30.0, 100.0]))
    # Levels a change and a little more or less apart, where rounding decides.
    steps = st.tuples(st.integers(0, 10), st.integers(-400, 400), st.integers(1, 12))
    levels = draw(st.lists(steps, min_size=4, max_size=60))
    duties = [
        np.full(hold, min(max(tenth * brightest // 10 + off, 0), brightest)) for tenth, off, hold in levels
    ]
    chain = np.resize(colours, frame.pixels * frame.channels)
    return frame, table, chain, brightest, rate_hz, np.concatenate(duties)


@examples(100)
@given(lights())
def test_no_envelope_makes_the_whole_of_any_layout_flash_more_than_three_times(case):
    frame, table, colours, brightest, rate_hz, duties = case
    full = whole_of(table, frame, colours, np.array([brightest]))[0]
    try:
        words = words_for(table, frame, colours, brightest, rate_hz)
    except ParameterError as problem:
        assert problem.name == "slack_codes"
        return
    shown = np.append(0, run_guard(words, duties)[0])
    light = whole_of(table, frame, colours, shown) / full
    assert most_flashes(light, rate_hz) <= 3


@pytest.mark.parametrize("colours", [WHITE, LANTERN], ids=["white", "lantern"])
@pytest.mark.parametrize("name", LAYOUTS)
def test_seeded_lights_of_drums_music_and_noise(name, colours):
    rng = np.random.default_rng(11)
    chain = np.resize(colours, (24, 3)).ravel()
    flashed = 0
    for brightest in TABLES.values():
        table = layout_table(LAYOUTS[name], YOKE, brightest_duty=brightest)
        light = picture_light(YOKE, chain, np.arange(brightest + 1), table)
        for kind in LIGHTS:
            for _ in range(12):
                rate_hz = float(rng.choice([15.0, 30.0, 100.0]))
                words = words_for(table, YOKE, chain, brightest, rate_hz)
                wanted = np.floor(LIGHTS[kind](rng, int(3 * rate_hz), rate_hz) * brightest).astype(np.int64)
                shown = np.append(0, run_guard(words, wanted)[0])
                flashed += most_flashes(light[np.append(0, wanted)] / light[-1], rate_hz) > 3
                assert most_flashes(light[shown] / light[-1], rate_hz) <= 3
    assert flashed >= 20


@pytest.mark.parametrize("name", ["from end", "from middle, three ranks", "share", "weights"])
def test_lights_bred_to_flash_come_up_to_the_limit_and_not_past_it(name):
    """Change a light bit by bit wherever that brings more changes of the whole into a second."""
    rng, rate_hz, chain = np.random.default_rng(4), 20.0, np.resize(LANTERN, (24, 3)).ravel()
    table = layout_table(LAYOUTS[name], YOKE, brightest_duty=SCALED)
    light = picture_light(YOKE, chain, np.arange(SCALED + 1), table)
    words = words_for(table, YOKE, chain, SCALED, rate_hz)
    levels = telling_duties(light, SCALED)
    kept, best = np.zeros(45, np.int64), -1.0
    for _ in range(1500):
        tried = kept.copy()
        at = int(rng.integers(tried.size))
        tried[at : at + 1 + int(rng.exponential(1.5))] = rng.choice(levels[str(rng.choice(list(levels)))])
        shown = light[np.append(0, run_guard(words, tried)[0])] / light[-1]
        flashes = most_flashes(shown, rate_hz)
        assert flashes <= 3
        found = flashes + 0.001 * np.abs(np.diff(shown)).sum()
        if found >= best:
            best, kept = found, tried
    assert int(best) == 3


@examples(30)
@given(lights())
def test_a_counter_written_from_the_definition_agrees(case):
    frame, table, colours, brightest, _, duties = case
    rate_hz = 12.0
    try:
        words = words_for(table, frame, colours, brightest, rate_hz)
    except ParameterError:
        return
    shown = np.append(0, run_guard(words, duties[:40])[0])
    full = whole_of(table, frame, colours, np.array([brightest]))[0]
    assert worst_flashes((whole_of(table, frame, colours, shown) / full).tolist(), rate_hz) <= 3


# ----------------------------------------------------------------------------------- what the words are


def test_white_at_16_bit_needs_next_to_no_slack_and_a_coloured_bar_what_its_colours_differ_by():
    fine = YOKE._replace(bits=16, limit=1_304_500)
    chain = {name: np.resize(one, (24, 3)).ravel() for name, one in (("w", WHITE), ("l", LANTERN))}
    white, bar = (
        picture_slack_codes(
            fine, chain[one], SCALED, layout_table(Layout("from_end"), fine, brightest_duty=SCALED)
        )
        for one in ("w", "l")
    )
    assert 0 <= white <= 2
    # The bar's pixels are warm white, amber and red in turn; 6.64 are lit, the last one warm white. A tenth
    # of their light is less of a warm white pixel than a tenth of their number.
    warm, amber, red = (int(row.sum()) for row in LANTERN)
    lit = 24 * SCALED / WORD_MOST
    tenth = 0.1 * (2 * (warm + amber + red) + (lit - 6) * warm) / warm
    by_hand = (0.1 * lit - tenth) / lit * SCALED
    assert bar == pytest.approx(by_hand, rel=0.01)
    assert picture_slack_codes(fine, chain["l"], SCALED) <= 1


def test_rest_light_needs_no_slack_as_the_whole_changes_by_less_than_the_duty():
    table = layout_table(Layout("from_end", rest_light=0.1), YOKE, brightest_duty=SCALED)
    assert picture_slack_codes(YOKE, np.full(72, 65_535), SCALED, table) == 0
    light = light_of(table, YOKE, np.arange(SCALED + 1))
    assert light[0] / light[-1] == pytest.approx(0.1 / 0.2755, rel=0.03)


def test_a_whole_that_is_never_dark_cannot_flash_and_needs_none():
    bright = replace(LAYOUTS["from end"], rest_light=0.26)
    table = layout_table(bright, YOKE, brightest_duty=SCALED)
    light = light_of(table, YOKE, np.arange(SCALED + 1))
    assert light[0] > 0.8 * light[-1]
    assert picture_slack_codes(YOKE, np.full(72, 65_535), SCALED, table) == 0


def test_the_guard_counts_a_layout_at_the_depth_of_a_word():
    assert counted_bits(YOKE) == 8
    assert counted_bits(YOKE._replace(dither_bits=2)) == 16
    table = layout_table(Layout("from_end"), YOKE, brightest_duty=SCALED)
    assert counted_bits(YOKE, table) == 16
    assert full_code(16) == WORD_MOST
