"""Pixels of a light as it is worn: those of the twin's light path; flashes of runs as they are shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.flashes import worst_flashes

from envlab.chain import Chain
from envlab.digital.pixel_layout import LAYOUT_START, picture_places
from envlab.light.layout.board import board_layout_table
from envlab.light.layout.layout import Layout
from envlab.study.exported.light import ExportedFirmware
from envlab.study.layouts.plays import largest_duty, plays_of
from envlab.study.layouts.regions import Region
from envlab.study.layouts.worn_pixels import WornPixels

KINDS = ("from_end", "from_middle", "share", "travelling")


def board(kind: str, **changed) -> Chain:
    return replace(Chain(), layout=Layout(kind), pixel_bits=8, **changed)


@pytest.mark.parametrize("kind", KINDS)
def test_every_pixel_is_that_of_the_exported_firmware(kind):
    chain = board(kind)
    counts = np.repeat([120, 900, 300, 700], 500)
    firmware = ExportedFirmware(chain)
    light = firmware.light(counts, state=firmware.running())
    seen = WornPixels(chain, light.duty, light.stands).luminance(120)
    codes = firmware.of_pixels(light)
    assert codes.max() > 100
    # The loud part is full light.
    assert np.allclose(seen, codes / codes.max())


def test_of_a_long_chain_as_many_are_given_as_asked_the_ends_among_them():
    chain = board("from_end", pixels=replace(Chain().pixels, count=300, channel_a=0.02, data_lines=8))
    whole = WornPixels(chain, np.array([largest_duty(chain)]), LAYOUT_START).luminance(300)
    some = WornPixels(chain, np.array([largest_duty(chain)]), LAYOUT_START).luminance(120)
    assert some.shape == (1, 120)
    assert (some[0, 0], some[0, -1]) == (whole[0, 0], whole[0, -1])


def test_no_frames_have_no_light():
    assert WornPixels(board("share"), np.empty(0, int), LAYOUT_START).luminance(5).shape == (0, 5)


def test_the_edge_of_a_bar_flashes_and_what_lies_before_and_behind_it_does_not():
    """Duty between three and four pixels of light, six times a second: pixel 4 goes on and off."""
    chain = board("from_end")
    most = largest_duty(chain)
    table = board_layout_table(chain)
    low, high = table.starts[3], min(table.starts[4], most)
    duty = np.where(np.arange(300) % 16 < 8, low, high)
    flashes = WornPixels(chain, duty, LAYOUT_START).region_flashes()
    on_off = [float(one == high) for one in duty]
    of = dict(zip(flashes.regions, flashes.per_s.tolist(), strict=True))
    assert of[Region(3, 1)] == worst_flashes(on_off, 100.0) > 3
    # The first pixel stays at full, the twelfth dark. The whole changes by one pixel of 6.6, over a tenth.
    assert flashes.per_s[-1] == of[Region(3, 1)]
    assert of[Region(0, 1)] == of[Region(12, 1)] == 0


def test_a_passage_is_counted_as_it_is_looped():
    """Half a second with one rise and fall of the edge, played again and again, has two flashes a second."""
    chain = board("from_end")
    table = board_layout_table(chain)
    duty = np.where(np.arange(200) % 50 < 25, table.starts[4], table.starts[3])
    pixels = WornPixels(chain, duty, LAYOUT_START)
    once = pixels.region_flashes(slice(0, 50))
    looped = pixels.region_flashes(slice(0, 50), rounds=4)
    at = looped.regions.index(Region(3, 1))
    assert (
        once.per_s[at] < looped.per_s[at] == worst_flashes((duty > duty.min()).astype(float).tolist(), 100.0)
    )


def test_a_travelling_group_goes_on_from_where_it_stands():
    chain = board("travelling")
    table = board_layout_table(chain)
    duty = np.full(200, largest_duty(chain))
    _, later = picture_places(table, 120, LAYOUT_START)
    whole = WornPixels(chain, duty, LAYOUT_START).luminance(24)
    part = WornPixels(chain, duty[120:], later).luminance(24)
    assert np.array_equal(whole[120:], part)
    assert "travelling" in plays_of(chain).plays
