"""What a layout may ask, and what is refused in one line."""

from __future__ import annotations

import pytest

from envlab.digital.fixed_frame import FrameWords
from envlab.errors import ParameterError
from envlab.light.layout.layout import KEYS, KINDS, Layout
from envlab.light.layout.table import layout_table

YOKE = FrameWords(24, 3, 8, 5059, 0, 100)
ALL_WEIGHTS = tuple(float(place) for place in range(24))


def test_all_alike_is_the_default_and_every_kind_has_its_keys():
    assert Layout().is_all_alike
    assert set(KEYS) == set(KINDS)
    assert not Layout("share").is_all_alike


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"kind": "ring"}, "kind is 'ring'; it must be one of all_alike, from_end, from_middle, share,"),
        ({"kind": "share", "lit_share": 0.0}, "lit_share is 0.0; it must be above 0"),
        ({"kind": "share", "lit_share": 1.01}, "lit_share is 1.01; it must be at most 1"),
        ({"kind": "from_end", "ranks": 0}, "ranks is 0; it must be a whole number from 1 to 32768"),
        ({"kind": "travelling", "group_pixels": 0}, "group_pixels is 0; it must be a whole number from 1"),
        ({"kind": "travelling", "pixels_per_second": 0.0}, "pixels_per_second is 0.0; it must be above 0"),
        ({"kind": "from_end", "rest_light": -0.1}, "rest_light is -0.1; it must be from 0 to 1"),
        ({"kind": "weights"}, r"weights is \(\); it must be a number for each pixel"),
        (
            {"kind": "weights", "weights": (1.0, -1.0)},
            "weights, number 2, is -1.0; it must be at least 0",
        ),
        ({"kind": "weights", "weights": (0.0, 0.0)}, r"weights is \(0.0, 0.0\); it must be above 0 for one"),
        ({"kind": "weights", "weights": (1.0, float("nan"))}, "weights, number 2, is nan"),
        ({"kind": "weights", "weights": (1.0,)}, r"weights is \(1.0,\); it must be a list of 2 to 32768"),
        ({"kind": "from_end", "group_pixels": 3}, "group_pixels is 3; it must be left out: a layout of kind"),
        ({"kind": "share", "ranks": 3}, 'of kind "share" has lit_share, rest_light'),
        ({"rest_light": 0.1}, 'of kind "all_alike" has no other key'),
    ],
)
def test_what_no_layout_can_be(values, told):
    with pytest.raises(ParameterError, match=told):
        Layout(**values)


@pytest.mark.parametrize(
    ("layout", "told"),
    [
        (Layout("from_end", ranks=25), "ranks is 25; it must be at most 24 for a bar of 24 pixels$"),
        (
            Layout("from_middle", ranks=13),
            "ranks is 13; it must be at most 12 for a bar of 24 pixels from the",
        ),
        (Layout("travelling", group_pixels=25), "group_pixels is 25; it must be at most 24, the pixels that"),
        (Layout("share", lit_share=0.04), "lit_share is 0.04; it must be at least 0.0417, one of 24 pixels"),
        (Layout("weights", weights=(1.0, 2.0)), "it must be 24 numbers, one for each pixel, not 2$"),
        (Layout("weights", weights=(*ALL_WEIGHTS, 1.0)), "it must be 24 numbers, one for each pixel, not 25"),
        (Layout("from_end", rest_light=0.3), "rest_light is 0.3; it must be below 0.275: rest light alone"),
        (Layout("share", rest_light=0.2756), "rest_light is 0.2756; it must be below 0.275: rest light"),
        (Layout("travelling", pixels_per_second=73.0), "pixels_per_second is 73.0; it must be at most 72"),
    ],
)
def test_what_this_chain_cannot_show(layout, told):
    with pytest.raises(ParameterError, match=told):
        layout_table(layout, YOKE, brightest_duty=18_060)


def test_a_supply_of_less_than_one_code_a_channel_is_refused_as_such():
    with pytest.raises(
        ParameterError, match="limit is 71; it must be at least 72 codes, one for each channel"
    ):
        layout_table(Layout("from_end"), YOKE._replace(limit=71))


def test_a_slow_frame_cannot_show_a_quick_travel():
    with pytest.raises(
        ParameterError, match="at most 25: three rounds of 24 pixels a second, one pixel a frame"
    ):
        layout_table(Layout("travelling", pixels_per_second=30.0), YOKE, frame_rate_hz=25.0)
