"""The picture of layouts: each pixel has the colour of its light, and lines that differ are told apart."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from envlab.errors import NotJudgedError
from envlab.light.lightness import srgb_encode
from envlab.light.viewing import Viewing
from envlab.plot.layouts import MOST_COLUMNS, MOST_ROWS, layouts_sheet, pixel_strip
from envlab.plot.strips import LANTERN
from envlab.plot.style import sheet
from envlab.study.layouts.compared import LayoutScene
from envlab.study.layouts.comparison import LayoutComparison
from envlab.study.layouts.figures import LayoutFigures
from envlab.study.layouts.regions import Region, RegionFlashes
from envlab.study.layouts.steps import Steps


def figures(name: str) -> LayoutFigures:
    one = RegionFlashes((Region(0, 4),), np.array([2]))
    return LayoutFigures(
        name,
        4,
        1.0,
        2.0,
        9,
        9,
        2.0,
        80.0,
        70.0,
        5.0,
        9.0,
        5.0,
        0.01,
        Steps(1, 2, 3, 4),
        50.0,
        40.0,
        2,
        2,
        one,
    )


def comparison(**codes) -> LayoutComparison:
    scene = LayoutScene("drums 92 dB", 3.0, 100.0, 255, codes)
    names = tuple(figures(name) for name in codes)
    return LayoutComparison(names, names[0].name, Viewing(), 3.0, 3.0, ("drums 92 dB",), {}, scene, False)


@pytest.fixture
def codes():
    return np.random.default_rng(2).integers(0, 256, (300, 4)).astype(np.uint16)


def test_every_pixel_has_the_screens_colour_of_its_light(codes):
    ax = pixel_strip(comparison(bar=codes).scene, "bar", sheet(40).subplots())
    (image,) = ax.get_images()
    shown = image.get_array()
    assert shown.shape == (4, 300, 3)
    assert np.allclose(shown[2, 17], srgb_encode(codes[17, 2] / 255 * np.array(LANTERN)))
    assert image.origin == "lower"


def test_a_long_chain_is_thinned_to_what_paper_shows():
    codes = (np.arange(2000, dtype=np.uint16) % 256)[:, None].repeat(1000, axis=1)
    codes[:, -1] = 7
    (image,) = pixel_strip(comparison(bar=codes).scene, "bar", sheet(40).subplots()).get_images()
    shown = image.get_array()
    assert shown.shape == (MOST_ROWS, MOST_COLUMNS, 3)
    # First and last pixel and frame are among them.
    assert np.allclose(shown[-1, -1], srgb_encode(7 / 255 * np.array(LANTERN)))


def test_layouts_of_the_same_light_have_one_line_and_others_are_named(codes):
    turned = np.roll(codes, 1, axis=1)
    fig = layouts_sheet(comparison(alike=codes, turned=turned))
    assert len(fig.axes[-1].get_lines()) == 1
    assert "the same in all" in [text.get_text() for text in fig.axes[-1].texts]
    fig = layouts_sheet(comparison(alike=codes, turned=turned, dim=codes // 2))
    lines = {line.get_label(): line.get_ydata() for line in fig.axes[-1].get_lines()}
    assert set(lines) == {"alike", "dim"}
    assert np.allclose(lines["alike"][:-1], 100 * codes.sum(axis=1) / (4 * 255))
    assert "solid: the others; dashed: dim" in [text.get_text() for text in fig.axes[-1].texts]


def test_the_designs_own_is_marked_and_numbers_stand_beside(codes):
    fig = layouts_sheet(comparison(alike=codes, bar=codes))
    labels = [ax.get_ylabel() for ax in fig.axes]
    assert labels[:2] == ["alike,\nthis design", "bar"]
    beside = [text.get_text() for text in fig.axes[1].texts]
    assert "near L* 70\nflashes in 1 s: whole 2,\nworst region 2" in beside


def test_without_a_clip_there_is_nothing_to_draw(codes):
    nothing = dataclasses.replace(comparison(alike=codes), scene=None)
    with pytest.raises(NotJudgedError, match="no clip"):
        layouts_sheet(nothing)
