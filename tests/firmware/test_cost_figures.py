"""The figures that the tool shows are those that a simulator counts: never under, and within a tenth."""

from __future__ import annotations

from dataclasses import replace

import pytest
from firmware import twin_vectors as twin
from firmware.measured_cost import (
    benches,
    design,
    figures,
    layout_figures,
    machine_of,
    moving_figures,
)
from firmware.targets import require, worst

from envlab.board_firmware.folder import cost_sentences
from envlab.digital.auto_level import OffsetSteps
from envlab.digital.fixed_frame import Dither
from envlab.digital.followers import MovingMaximum, MovingMean
from envlab.errors import ParameterError
from envlab.firmware.cost import (
    BUILDS,
    LAYOUT,
    LAYOUT_MEMORY,
    MOVING,
    MOVING_MEMORY,
    Build,
    Figures,
    runtime_cost,
)
from envlab.light.layout.layout import Layout

USUAL = Build(True, "-Os")
BOUNDED_BY = {
    "follow": "follow",
    "level": "level",
    "automatic": "automatic",
    "guard, 8 bit": "guard",
    "guard, 16 bit": "guard",
}


def assert_bounds(stated: Figures, found: Figures) -> None:
    for name, bound, measured in zip(Figures._fields, stated, found, strict=True):
        assert 0.9 * bound <= measured <= bound, (name, measured, bound)


def test_the_usual_build_costs_what_is_shown(tmp_path):
    require(machine_of(USUAL))
    assert_bounds(BUILDS[USUAL], figures(USUAL, tmp_path))


@pytest.mark.slow_firmware
@pytest.mark.parametrize("build", [build for build in BUILDS if build != USUAL])
def test_every_build_costs_what_is_shown(build, tmp_path):
    require(machine_of(build))
    assert_bounds(BUILDS[build], figures(build, tmp_path))


def assert_moving_bounds(build: Build, folder) -> None:
    require(machine_of(build))
    for name, bound, measured in zip(
        MOVING[build]._fields, MOVING[build], moving_figures(build, folder), strict=True
    ):
        assert 0.9 * bound <= measured <= bound, (name, measured, bound)


def test_a_moving_mean_or_maximum_costs_what_is_shown(tmp_path):
    assert_moving_bounds(USUAL, tmp_path)


@pytest.mark.slow_firmware
@pytest.mark.parametrize("build", [build for build in MOVING if build != USUAL])
def test_it_costs_what_is_shown_in_every_build(build, tmp_path):
    assert_moving_bounds(build, tmp_path)


def assert_layout_bounds(build: Build, folder) -> None:
    require(machine_of(build))
    found = layout_figures(build, folder)
    for name, bound, measured in zip(LAYOUT[build]._fields, LAYOUT[build], found, strict=True):
        assert 0.9 * bound <= measured <= bound, (name, measured, bound)


def test_a_layout_of_light_costs_what_is_shown(tmp_path):
    assert_layout_bounds(USUAL, tmp_path)


@pytest.mark.slow_firmware
@pytest.mark.parametrize("build", [build for build in LAYOUT if build != USUAL])
def test_a_layout_costs_what_is_shown_in_every_build(build, tmp_path):
    assert_layout_bounds(build, tmp_path)


def test_cost_of_a_bar_of_the_parade():
    plain = design("level")
    bar = replace(plain, layout=Layout("from_end", lit_share=1.0))
    before, after, extra = runtime_cost(plain), runtime_cost(bar), LAYOUT[USUAL]
    assert after.pixel_cycles - before.pixel_cycles == extra.frame + 24 * extra.pixel
    assert after.frame_cycles - before.frame_cycles == extra.frame + 24 * extra.pixel
    # A byte for the rank of each pixel, two words for each of 24 ranks.
    assert after.flash_bytes - before.flash_bytes == extra.code + 24 + 24 * 4
    assert after.memory_bytes - before.memory_bytes == LAYOUT_MEMORY
    more = 100 * (extra.frame + 24 * extra.pixel) / 16e6
    assert after.processor_share - before.processor_share == pytest.approx(more)


@pytest.mark.parametrize("follower", [MovingMean(0.02), MovingMaximum(0.02)])
def test_cost_of_a_moving_mean_and_maximum_of_twenty(follower):
    plain = replace(design("level"), brightness_rate_hz=50.0)
    moves = replace(plain, moving=follower)
    before, after, extra = runtime_cost(plain), runtime_cost(moves), MOVING[USUAL]
    each = extra.mean if isinstance(follower, MovingMean) else extra.maximum + 20 * extra.scanned
    assert after.reading_cycles - before.reading_cycles == each
    assert after.flash_bytes - before.flash_bytes == extra.code
    assert after.memory_bytes - before.memory_bytes == MOVING_MEMORY + 40
    assert after.processor_share - before.processor_share == pytest.approx(1000 * each / 16e6)


def most_at_random(build: Build, steps: int, folder) -> dict[str, int]:
    require(machine_of(build))
    return {name: worst.most_of_random(bench, steps) for name, bench in benches(build, folder).items()}


def test_random_calls_never_pass_what_is_shown(tmp_path):
    for name, most in most_at_random(USUAL, 5000, tmp_path).items():
        assert most <= getattr(BUILDS[USUAL], BOUNDED_BY[name]), name


@pytest.mark.slow_firmware
@pytest.mark.parametrize("build", list(BUILDS))
def test_a_million_random_calls_never_pass_what_is_shown(build, tmp_path):
    """A million calls for each function of the usual build, a tenth for the others."""
    for name, most in most_at_random(build, 1_000_000 if build == USUAL else 100_000, tmp_path).items():
        assert most <= getattr(BUILDS[build], BOUNDED_BY[name]), name


def test_the_search_finds_more_than_chance(tmp_path):
    """Were it no better than random calls, its bound would say little."""
    require(machine_of(USUAL))
    built = benches(USUAL, tmp_path)["follow"]
    assert worst.search(built)[0] > worst.most_of_random(built, 20_000)


def test_cost_of_the_parade():
    parade = twin.parade_design(brightness_rate_hz=100.0)
    figure, found = BUILDS[USUAL], runtime_cost(parade)
    pixels = figure.frame + 72 * figure.channel
    assert found.pixel_cycles == pixels
    assert found.frame_cycles == figure.automatic + figure.guard + pixels
    share = (1000 * figure.follow + 100 * (figure.automatic + figure.guard + pixels)) / 16e6
    assert found.processor_share == pytest.approx(share)
    assert found.flash_bytes == figure.automatic_code + 2 * len(parade.codes)
    assert found.memory_bytes == figure.memory + 144
    assert runtime_cost(replace(parade, guard=False)).frame_cycles == found.frame_cycles - figure.guard
    steps = runtime_cost(twin.parade_design(brightness_rate_hz=100.0, level=OffsetSteps()))
    assert steps.frame_cycles == found.frame_cycles - figure.automatic + figure.level
    assert runtime_cost(parade, multiplier=False).processor_share > 1.5 * share


def test_each_refresh_of_a_dithered_light_counts():
    plain = replace(design("level"), pixel_bits=8)
    dithered = replace(plain, dither=Dither(2, 800.0))
    more = runtime_cost(dithered).processor_share - runtime_cost(plain).processor_share
    assert more == pytest.approx(700 * runtime_cost(plain).pixel_cycles / 16e6)


def test_it_is_told_whole():
    words = " ".join(cost_sentences(twin.parade_design(brightness_rate_hz=100.0)))
    for part in ("8-bit processor at 16 MHz", "without a multiplier", "pixels", "bytes of flash", "on top"):
        assert part in words


@pytest.mark.parametrize(("name", "value"), [("clock_hz", 0.0), ("optimised", "-O3")])
def test_what_was_not_measured_is_refused(name, value):
    with pytest.raises(ParameterError, match=name):
        runtime_cost(twin.parade_design(), **{name: value})
