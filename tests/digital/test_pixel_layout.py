"""The twin of the layout in C: two runs equal one, a travelling picture keeps its sum, words are checked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from light.layout.layout_cases import LAYOUTS, SCALED, YOKE

from envlab.digital.light_path import LightPath, show_frames
from envlab.digital.pixel_layout import (
    NEVER,
    LayoutState,
    LayoutTable,
    picture_places,
    pixel_codes,
    rank_duties,
    standing_duties,
)
from envlab.errors import ParameterError
from envlab.light.layout.layout import Layout
from envlab.light.layout.table import layout_table

PLAIN = LayoutTable((0, 1, 1), (0, 500), (1_000, 600), 8, 100, 60_000, 0, 8)


def travelling(pixels_per_second: float = 70.0, frame_rate_hz: float = 100.0) -> LayoutTable:
    layout = Layout("travelling", group_pixels=5, pixels_per_second=pixels_per_second)
    return layout_table(layout, YOKE, brightest_duty=SCALED, frame_rate_hz=frame_rate_hz)


@pytest.mark.parametrize("cut", [0, 1, 7, 299, 300])
@pytest.mark.parametrize("name", LAYOUTS)
def test_two_runs_equal_one(name, cut):
    table = layout_table(LAYOUTS[name], YOKE, brightest_duty=SCALED)
    duties = np.random.default_rng(2).integers(0, SCALED + 1, 300)
    whole, end = pixel_codes(table, duties)
    first, state = pixel_codes(table, duties[:cut])
    second, last = pixel_codes(table, duties[cut:], state)
    np.testing.assert_array_equal(np.concatenate((first, second)), whole)
    assert last == end
    assert whole.shape == (300, 24)


def test_a_rank_rises_from_its_start_to_the_top_by_python_integers():
    for duty in (0, 1, 499, 500, 501, 502, 20_000, 65_535):
        wanted = [
            100 + min(max(duty - start, 0) * slope // 2**8, 60_000)
            for start, slope in zip(PLAIN.starts, PLAIN.slopes, strict=True)
        ]
        assert rank_duties(PLAIN, np.array([duty]))[0].tolist() == wanted
        assert standing_duties(PLAIN, np.array([duty]))[0].tolist() == [wanted[0], wanted[1], wanted[1]]


@pytest.mark.parametrize("speed", [0.1, 8.0, 37.0, 72.0])
def test_a_picture_comes_round_as_often_as_it_should(speed):
    """One second is 100 frames; the first pixel lights once a round."""
    table = travelling(speed)
    seconds = 60
    codes, _ = pixel_codes(table, np.full(100 * seconds, SCALED))
    begins = int((np.diff((codes[:, 0] > 0).astype(int)) == 1).sum())
    assert abs(begins - speed * seconds / 24) <= 1
    moves = np.diff(picture_places(table, 100 * seconds)[0]) % 24
    assert set(moves.tolist()) <= {0, 1}
    assert moves.sum() == pytest.approx(speed * seconds, abs=1.5)


@pytest.mark.parametrize("dither_bits", [0, 2])
def test_every_frame_of_a_travelling_picture_has_the_same_sum_in_any_colours(dither_bits):
    frame = YOKE._replace(dither_bits=dither_bits, refresh_hz=800)
    layout = replace(LAYOUTS["travelling, two"], pixels_per_second=50.0)
    table = layout_table(layout, frame, brightest_duty=SCALED)
    colours = np.random.default_rng(5).integers(0, 65_536, (5, 3))
    words, refreshes = None, 1 << dither_bits
    path = LightPath(words, np.zeros(2), frame, colours, refreshes, layout=table)
    for duty in (0, 700, SCALED // 2, SCALED):
        shown = show_frames(path, np.full(240, duty))
        sums = shown.sum(axis=2)
        assert (sums == sums[0]).all()
        assert (shown[0] != shown[100]).any()
        # The picture is the same, only turned.
        at = int(picture_places(table, 240)[0][100] - picture_places(table, 240)[0][0])
        np.testing.assert_array_equal(np.roll(shown[0], 3 * at, axis=-1), shown[100])


def test_the_place_wraps_at_the_end_of_the_chain_and_the_part_is_kept():
    table = travelling(37.0)
    places, state = picture_places(table, 1000)
    step, part, place = table.step, 0, 0
    for n in range(1000):
        part += step
        if part >= 65_536:
            part, place = part - 65_536, (place + 1) % 24
        assert places[n] == place
    assert state == LayoutState(place, part)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"rank_of_pixel": (0, 2, 2)}, "rank_of_pixel"),
        ({"rank_of_pixel": (0,)}, "ranks"),
        ({"rank_of_pixel": ()}, "pixels"),
        ({"starts": (0, 65_536)}, "word of a layout"),
        ({"slopes": (0, -1)}, "word of a layout"),
        ({"slopes": (0,)}, "rank_of_pixel"),
        ({"step": 65_536}, "word of a layout"),
        ({"fraction": 9}, "fraction is 9; it must be one of 16, 8, 0"),
        ({"rest": 6_000}, r"rest \+ span"),
        ({"bits": 7}, "bits"),
    ],
)
def test_words_that_no_firmware_can_have_are_refused(change, name):
    with pytest.raises(ParameterError, match=name):
        replace(PLAIN, **change)


def test_duties_and_states_that_cannot_be_are_refused():
    with pytest.raises(ParameterError, match="duties"):
        pixel_codes(PLAIN, np.array([65_536]))
    with pytest.raises(ParameterError, match="state"):
        pixel_codes(PLAIN, np.array([1]), LayoutState(3, 0))
    with pytest.raises(ParameterError, match="layout is 3; it must be of 24 pixels, as the chain"):
        LightPath(None, np.zeros(2), YOKE, np.ones((1, 3)), layout=PLAIN)


def test_a_rank_that_never_lights_stays_at_rest():
    dark = LayoutTable((0, 1), (0, NEVER), (512, 512), 8, 7, 60_000, 0, 8)
    assert rank_duties(dark, np.array([65_535]))[0].tolist() == [60_007, 7]
