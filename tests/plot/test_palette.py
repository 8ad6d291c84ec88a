"""Colours: apart from each other, and far enough from the page.

Contrast after WCAG 2.2 (W3C Recommendation 2023): relative luminance and contrast ratio as defined in its
glossary; 4.5 : 1 for text (1.4.3), 3 : 1 for lines (1.4.11).
"""

from __future__ import annotations

import re

import pytest

from envlab.metrics.catalogue import METRICS
from envlab.plot.palette import INK, INK_ON_MAP, ON_MAP, PALETTE, colour, metric_colour

LINES = ("pressure", "preamp", "detector", "counts", "light", "duty", "current", "flashes", "latency")


def luminance(hex_: str) -> float:
    parts = [int(hex_[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    dark, bright = sorted((luminance(one), luminance(other)))
    return (bright + 0.05) / (dark + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:
    # WCAG 2.2, glossary "contrast ratio": ranges from 1 to 21.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("page", [0, 1])
def test_text_and_lines_stand_out_on_light_and_on_dark_pages(page: int) -> None:
    paper = PALETTE["paper"][page]
    for name in ("ink", "soft"):
        assert contrast(PALETTE[name][page], paper) >= 4.5, name
    for name in LINES:
        assert contrast(PALETTE[name][page], paper) >= 3.0, name


@pytest.mark.parametrize("page", [0, 1])
def test_the_detector_shows_on_the_rectified_area_even_in_grey(page: int) -> None:
    assert contrast(PALETTE["detector"][page], PALETTE["rectified"][page]) >= 2.5


def test_marks_on_the_map_stand_out_from_each_other() -> None:
    assert contrast(INK_ON_MAP, ON_MAP) >= 15


def test_every_colour_is_one_hex_and_unlike_all_others() -> None:
    every = [hex_ for pair in PALETTE.values() for hex_ in pair] + [INK_ON_MAP, ON_MAP]
    assert len(set(every)) == len(every)
    assert all(re.fullmatch("#[0-9a-f]{6}", hex_) for hex_ in every)


def test_every_metric_wears_the_colour_of_its_quantity() -> None:
    assert {metric_colour(metric) for metric in METRICS} <= {colour(name) for name in LINES}
    assert metric_colour("supply_99_a") == colour("current")
    assert metric_colour("beat_contrast_lstar") == colour("light")
    assert colour("ink") == INK
