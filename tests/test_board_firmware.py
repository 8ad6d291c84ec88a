"""Depth, dithering and the way of limiting that a board's design asks for are those of its firmware."""

from __future__ import annotations

import pytest

from envlab.board_firmware import both_tables, runtime_design
from envlab.chain import Chain
from envlab.digital.fixed_frame import Dither
from envlab.errors import ParameterError
from envlab.firmware.export import firmware_files
from envlab.light.pixels import Pixels


def header(chain: Chain) -> str:
    return firmware_files(runtime_design(chain))["envlab_parameters.h"]


def test_depth_and_dither_are_the_designs():
    text = header(Chain(pixel_bits=8, dither_bits=2))
    for line in ("FRAME_BITS 8 ", "FRAME_DITHER_BITS 2 ", "FRAME_REFRESH_HZ 800u ", "FRAME_LIMIT 5059ul ",
                 "FRAME_PIXELS 24u ", "FRAME_CHANNELS 3 "):  # fmt: skip
        assert f"#define ENVLAB_{line}" in text
    assert "dithering: 2 bit, pixels written at 800 Hz, repeats at 200 Hz" in text
    assert "envlab_dither.c" in firmware_files(runtime_design(Chain(pixel_bits=8, dither_bits=2)))
    deep = header(Chain())
    assert "#define ENVLAB_FRAME_BITS 16 " in deep
    assert "#define ENVLAB_FRAME_DITHER_BITS 0 " in deep


def test_the_limited_table_says_that_all_channels_may_have_its_brightest_duty():
    design = runtime_design(Chain(pixel_bits=8))
    assert design.codes[-1] == int(0.275556 * 65_535)
    assert "which all channels may have at once; L* and flashes refer to it" in header(Chain(pixel_bits=8))


def test_the_table_up_to_full_comes_with_the_limit_and_says_what_its_light_refers_to():
    chain = Chain(current_limit="frame")
    assert runtime_design(chain).codes[-1] == 65_535
    text = header(chain)
    assert "never show it without the frame limiter" in text
    assert "L* and flashes refer to all channels alike, which the limiter holds at 0.2756" in text


def test_a_dither_given_here_outranks_the_designs():
    assert runtime_design(Chain(pixel_bits=8), dither=Dither(1, 500.0)).frame_words.dither_bits == 1


def test_the_plain_tables_have_the_depth_that_dithering_adds():
    tables = both_tables(Chain(pixel_bits=8, dither_bits=2))
    assert tables.limited.bits == tables.unlimited.bits == 10


@pytest.mark.parametrize(
    ("chain", "name"),
    [
        (Chain(pixel_bits=6), "pixel_bits"),
        (Chain(pixels=Pixels(1000, channel_a=0.02, idle_a=0.0)), "frame_rate_hz"),
        (Chain(pixel_bits=8, dither_bits=3), "refresh_hz"),
    ],
)
def test_what_the_pixels_or_the_runtime_cannot_do_is_named(chain, name):
    with pytest.raises(ParameterError) as caught:
        runtime_design(chain)
    assert caught.value.name == name
