"""Flashes of regions: counted as an independent counter counts them, and known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from reference.flashes import worst_flashes

from envlab.study.layouts import play as play_module
from envlab.study.layouts.play import brightest_of, played
from envlab.study.layouts.regions import (
    MOST_STARTS,
    Region,
    RegionCounter,
    RegionFlashes,
    region_sums,
    regions_of,
)


def counted(play, duties, rate_hz=100.0):
    regions = regions_of(play.pixels)
    brightest = brightest_of(play, regions)
    counter = RegionCounter(regions, brightest.regions, rate_hz)
    played(play, duties, brightest, regions, counter.take)
    return counter.flashes


@pytest.mark.parametrize("pixels", [1, 2, 3, 24, 100, 10_922])
def test_every_pixel_is_looked_at_and_the_whole_is_the_last(pixels):
    regions = regions_of(pixels)
    assert regions[-1] == Region(0, pixels)
    assert len(set(regions)) == len(regions)
    assert all(one.first >= 0 and one.first + one.pixels <= pixels for one in regions)
    if pixels <= MOST_STARTS:
        singles = {one.first for one in regions if one.pixels == 1}
        assert singles == set(range(pixels))
    assert len(regions) <= MOST_STARTS * 14 + 1


def test_sums_are_those_of_the_pixels():
    codes = np.random.default_rng(3).integers(0, 256, (7, 24))
    regions = regions_of(24)
    sums = region_sums(codes, regions)
    for at, (first, pixels) in enumerate(regions):
        assert np.array_equal(sums[:, at], codes[:, first : first + pixels].sum(axis=1))


def test_one_pixel_that_blinks_among_24(made):
    flashes = counted(made.blinking, np.zeros(300, int))
    blinks = [float(frame % 20 < 10) for frame in range(300)]
    assert flashes.worst_per_s == worst_flashes(blinks, 100.0) == 5
    # 255 of 23·100 + 255 codes are less than a tenth: the whole has no change at all.
    assert flashes.per_s[-1] == 0
    # Eight pixels with it change by 255 of 955 and are dark enough below, sixteen stay above 0.80.
    of = dict(zip(flashes.regions, flashes.per_s.tolist(), strict=True))
    assert of[Region(7, 1)] == of[Region(0, 8)] == of[Region(7, 8)] == 5
    assert of[Region(8, 8)] == of[Region(0, 16)] == of[Region(6, 1)] == 0
    assert flashes.worst == Region(0, 8)
    assert flashes.flashing_pixels(3) == 1


def test_a_travelling_group_leaves_the_whole_alone_and_flashes_everywhere(made):
    flashes = counted(made.travelling, np.zeros(300, int))
    assert flashes.per_s[-1] == 0
    one = [float((3 - frame * 6 // 5) % 24 < 6) for frame in range(300)]
    (at,) = [n for n, region in enumerate(flashes.regions) if region == Region(3, 1)]
    assert flashes.per_s[at] == worst_flashes(one, 100.0) == 5
    assert flashes.flashing_pixels(3) == 24


def test_of_regions_that_flash_alike_the_longest_is_told(made):
    beats = np.tile(np.repeat([made.full_duty, 0], 10), 15)
    assert counted(made.alike, beats).worst == Region(0, 24)


def test_a_region_that_never_gets_bright_is_judged_over_its_own_light():
    """A pixel that goes from 0 to 3 codes flashes; over full light it would not."""
    flashes = RegionCounter((Region(0, 1),), np.array([3]), 10.0)
    flashes.take(np.tile([[3, 0]], 20).astype(np.int32))
    assert flashes.flashes.worst_per_s == worst_flashes([1.0, 0.0] * 20, 10.0) == 5


def test_a_region_without_light_has_no_flash():
    flashes = RegionCounter((Region(0, 1), Region(1, 1)), np.array([0, 255]), 10.0)
    flashes.take(np.array([[0] * 10, [255] * 10], np.int32))
    assert flashes.flashes.per_s.tolist() == [0, 0]


def test_no_flash_reaches_from_one_clip_into_the_next():
    whole, parts = (RegionCounter((Region(0, 1),), np.array([255]), 100.0) for _ in range(2))
    light = np.repeat([[255, 0] * 4], 5, axis=1).astype(np.int32)
    whole.take(light)
    for part in np.split(light, 4, axis=1):
        parts.begin()
        parts.take(np.ascontiguousarray(part))
    assert (whole.flashes.worst_per_s, parts.flashes.worst_per_s) == (3, 0)


@pytest.mark.parametrize("name", ["bar", "travelling"])
def test_flashes_do_not_depend_on_the_length_of_blocks(made, monkeypatch, name):
    duties = np.where(np.arange(700) % 20 < 10, made.full_duty, made.full_duty // 3)
    whole = counted(getattr(made, name), duties)
    monkeypatch.setattr(play_module, "AT_ONCE", 95 * 7)
    assert np.array_equal(counted(getattr(made, name), duties).per_s, whole.per_s)
    assert whole.worst_per_s > 3


@pytest.mark.parametrize("seed", range(6))
def test_random_pixels_are_counted_as_by_the_independent_counter(seed):
    rng = np.random.default_rng(seed)
    codes = rng.integers(0, 4, (60, 6)).cumsum(axis=0) * 37 % 256
    regions = regions_of(6)
    most = region_sums(codes, regions).max(axis=0)
    counter = RegionCounter(regions, most, 20.0)
    for block in np.split(region_sums(codes, regions), 3):
        counter.take(np.ascontiguousarray(block.T, np.int32))
    expected = [
        worst_flashes([float(value) / level for value in row], 20.0)
        for row, level in zip(region_sums(codes, regions).T, most, strict=True)
    ]
    assert counter.flashes.per_s.tolist() == expected
    assert max(expected) > 3


def test_pixels_over_the_limit_are_counted_one_by_one():
    regions = (Region(0, 1), Region(1, 1), Region(2, 1), Region(3, 1), Region(0, 2), Region(0, 4))
    flashes = RegionFlashes(regions, np.array([4, 3, 9, 0, 9, 9]))
    assert [flashes.flashing_pixels(limit) for limit in (2, 3, 4, 9)] == [3, 2, 1, 0]
    # Alone none flashes too often, two together do.
    assert RegionFlashes(regions, np.array([2, 2, 2, 2, 4, 3])).flashing_pixels(3) == 2
    # Of 100 pixels every tenth was looked at, half of those flash.
    spread = (*(Region(10 * n, 1) for n in range(10)), Region(0, 100))
    assert RegionFlashes(spread, np.array([5, 0] * 5 + [0])).flashing_pixels(3) == 50
