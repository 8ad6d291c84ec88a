"""The example lantern: any number of pixels and channels, at any depth, code by code the twin's."""

from __future__ import annotations

import numpy as np
import pytest
from firmware.host_build import HERE, feed
from firmware.light_vectors import EXAMPLES, full_table
from reference.c_compilers import PEDANTIC, find_program, run

from envlab.digital.fixed_frame import Dither
from envlab.digital.light_path import LightPath, show_frames
from envlab.firmware.example_colours import lantern_colours
from envlab.firmware.export import firmware_files
from envlab.light.pixels import Pixels, Supply

DUTIES = np.array([0, 1, 128, 129, 700, 16_384, 32_767, 32_768, 50_000, 65_534, 65_535])
SANITIZE = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


def lantern_design(pixels, channels, bits, dither):
    chain = Pixels(pixels, channels, 0.020, 0.0)
    # A third of what all channels would take, so that the limiter has work to do.
    supply = Supply(max(0.020, 0.007 * pixels * channels))
    return full_table(pixels=chain, supply=supply, pixel_bits=bits, dither=dither)


@pytest.mark.parametrize(
    ("pixels", "channels", "bits", "dither"),
    [
        (1, 3, 8, None),
        (85, 3, 8, None),
        (86, 3, 8, None),
        (255, 1, 8, None),
        (256, 1, 16, None),
        (257, 3, 8, None),
        (16, 4, 8, Dither(1, 400.0)),
        (10, 3, 8, Dither(2, 1000.0)),
        (40, 8, 12, None),
        (1000, 3, 8, None),
        (1000, 3, 16, None),
        (1000, 4, 10, None),
        (3000, 3, 8, None),
        (10_922, 3, 16, None),
    ],
)
def test_every_pixel_of_any_chain_is_shown_as_the_twin_has_it(
    pixels, channels, bits, dither, tmp_path, c_compiler
):
    design = lantern_design(pixels, channels, bits, dither)
    for name, text in firmware_files(design, design_digest="lantern").items():
        (tmp_path / name).write_text(text, "ascii")
    include = ("-I", tmp_path, "-I", EXAMPLES)
    run(
        c_compiler, "-std=c99", *PEDANTIC, *SANITIZE, *include, HERE / "lantern_board.c",
        EXAMPLES / "lantern.c", *tmp_path.glob("envlab_*.c"), "-o", tmp_path / "lantern",
    )  # fmt: skip
    colours = lantern_colours(channels)
    path = LightPath(design.words, design.codes, design.frame_words, colours, refreshes=2)
    wanted = show_frames(path, DUTIES)
    data = feed(tmp_path / "lantern", DUTIES.astype("<u2").tobytes())
    got = np.frombuffer(data, "<u2").reshape(wanted.shape)
    np.testing.assert_array_equal(got, wanted)
    sums = got.sum(axis=-1, dtype=np.int64)
    assert (sums <= design.frame_words.limit).all()
    assert (got[-1] > 0).any()


def test_the_colours_of_three_and_four_channels_are_the_examples_own():
    assert lantern_colours(3)[0].tolist() == [65_535, 38_000, 14_000]
    assert lantern_colours(4).shape == (3, 4)
    assert lantern_colours(1).tolist() == [[65_535]]


@pytest.mark.parametrize("bits", [8, 12, 16])
@pytest.mark.parametrize(
    ("compiler", "flags"),
    [("avr-gcc", ["-mmcu=atmega328p"]), ("arm-none-eabi-gcc", ["-mcpu=cortex-m0", "-mthumb"])],
)
def test_the_lantern_compiles_for_small_machines_at_every_depth(compiler, flags, bits, tmp_path):
    cross = find_program(compiler)
    for name, text in firmware_files(lantern_design(24, 3, bits, None), design_digest="lantern").items():
        (tmp_path / name).write_text(text, "ascii")
    include = ("-I", tmp_path, "-I", EXAMPLES)
    for source in (EXAMPLES / "lantern.c", tmp_path / "envlab_frame.c"):
        run(cross, "-std=c99", "-Os", *flags, *PEDANTIC, *include, "-c", source, "-o", tmp_path / "part.o")
