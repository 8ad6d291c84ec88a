"""Red flashes: both sides of every threshold of WCAG 2.2, and an independent brute-force counter."""

from __future__ import annotations

import numpy as np
import pytest
from reference.red_flashes import worst_red_flashes

from envlab.errors import ParameterError
from envlab.light.colour import chromaticity_uv
from envlab.light.flashes.red_flash import count_red_flashes, red_share

RATE_HZ = 100.0
RED, BLUE, GREEN, WHITE, BLACK = (1.0, 0, 0), (0, 0, 1.0), (0, 1.0, 0), (1.0, 1.0, 1.0), (0.0, 0, 0)


def alternate(one: tuple, other: tuple, half_period: int = 10, frames: int = 300) -> np.ndarray:
    """Linear light that changes between two colours every so many frames."""
    return np.where((np.arange(frames) // half_period % 2 == 0)[:, None], one, other)


@pytest.mark.parametrize("other", [BLUE, GREEN, WHITE, BLACK])
def test_red_against_anything_else_counts(other):
    # A closed second holds 11 changes that are 0.1 s apart: five pairs.
    assert count_red_flashes(alternate(RED, other), RATE_HZ) == 5


@pytest.mark.parametrize(("one", "other"), [(BLUE, GREEN), (WHITE, BLACK), (WHITE, BLUE), (GREEN, BLACK)])
def test_without_red_nothing_counts(one, other):
    assert count_red_flashes(alternate(one, other), RATE_HZ) == 0


@pytest.mark.parametrize(("half_period", "expected"), [(17, 3), (15, 3), (14, 4), (25, 2), (60, 1), (300, 0)])
def test_three_and_four_in_a_second(half_period, expected):
    assert count_red_flashes(alternate(RED, BLUE, half_period), RATE_HZ) == expected


@pytest.mark.parametrize(("share", "counts"), [(0.79, False), (0.80, True), (0.81, True)])
def test_both_sides_of_the_red_share(share, counts):
    # The rest of the light is blue; against green every one of them is further than 0.2 in u′v′.
    red = (share, 0.0, 1.0 - share)
    assert float(red_share(red)) == pytest.approx(share)
    assert np.hypot(*(chromaticity_uv(red) - chromaticity_uv(GREEN))) > 0.2
    assert (count_red_flashes(alternate(red, GREEN), RATE_HZ) > 0) is counts


def test_both_sides_of_the_colour_step():
    # From red towards white: the green and blue share at which the step is 0.2 in u′v′, found by halving.
    def step(share: float) -> float:
        return float(np.hypot(*(chromaticity_uv((1.0, share, share)) - chromaticity_uv(RED))))

    near, far = 0.0, 1.0
    for _ in range(60):
        middle = 0.5 * (near + far)
        near, far = (middle, far) if step(middle) < 0.2 else (near, middle)
    assert step(near) == pytest.approx(0.2, abs=1e-9)
    assert count_red_flashes(alternate(RED, (1.0, near - 1e-6, near - 1e-6)), RATE_HZ) == 0
    assert count_red_flashes(alternate(RED, (1.0, near + 1e-6, near + 1e-6)), RATE_HZ) == 5


def test_dimming_red_is_no_red_flash_until_it_is_dark():
    # The same red at 2 % keeps its colour; under 1 % of the brightest state it counts as white.
    assert count_red_flashes(alternate(RED, (0.02, 0.0, 0.0)), RATE_HZ) == 0
    assert count_red_flashes(alternate(RED, (0.009, 0.0, 0.0)), RATE_HZ) == 5


def test_fading_from_red_to_blue_in_steps_is_one_step():
    shares = np.concatenate([np.linspace(0, 1, 30), np.linspace(1, 0, 30)])[:, None]
    fade = (1 - shares) * np.array(RED) + shares * np.array(BLUE)
    assert count_red_flashes(fade, RATE_HZ) == 1


@pytest.mark.parametrize("seed", range(25))
def test_equals_brute_force(seed):
    rng = np.random.default_rng(seed)
    colours = rng.uniform(0.05, 1.0, (8, 3)) * [1.0, 0.2, 0.2] if seed % 2 else rng.uniform(0.05, 1.0, (8, 3))
    colours[:3] = [[1.0, 0.02, 0.02], [0.9, 0.1, 0.05], [0.05, 0.05, 1.0]]
    states = np.repeat(colours[rng.integers(0, 8, 60)], rng.integers(1, 4, 60), axis=0)
    rate_hz = float(rng.uniform(5.0, 25.0))
    expected = worst_red_flashes([tuple(map(float, state)) for state in states], rate_hz)
    assert count_red_flashes(states, rate_hz) == expected


def test_brute_force_cases_are_not_all_alike():
    counts = set()
    for seed in range(25):
        rng = np.random.default_rng(seed)
        colours = np.array([RED, BLUE, WHITE, (0.9, 0.05, 0.05)])
        counts.add(count_red_flashes(colours[rng.integers(0, 4, 40)], float(rng.uniform(4.0, 20.0))))
    assert len(counts) > 4


@pytest.mark.parametrize("light", [np.zeros((0, 3)), np.ones((1, 3)), np.zeros((50, 3))])
def test_clips_that_cannot_flash(light):
    assert count_red_flashes(light, RATE_HZ) == 0


@pytest.mark.parametrize("light", [np.zeros(3), np.zeros((4, 2)), [[0.0, 0.0, 1.2]], [[0.0, np.nan, 0.0]]])
def test_impossible_light_is_refused(light):
    with pytest.raises(ParameterError, match="linear_rgb"):
        count_red_flashes(light, RATE_HZ)


@pytest.mark.parametrize(("blue_frames", "expected"), [(10, 1), (11, 0)])
def test_the_second_is_closed_at_its_end(blue_frames, expected):
    # At 10 frames a second, from the end of the frame before the first change to the start of the second
    # change: exactly one second still counts, a frame more does not.
    light = np.array([RED] + [BLUE] * blue_frames + [RED] * 3)
    assert count_red_flashes(light, 10.0) == expected


@pytest.mark.parametrize("states", [[BLUE, RED, BLUE], [RED, BLUE, RED]])
def test_a_turn_to_red_may_be_the_first_or_the_second(states):
    assert count_red_flashes(np.repeat(np.array(states), 3, axis=0), 30.0) == 1


def test_many_lights_at_once_are_refused():
    with pytest.raises(ParameterError, match="linear_rgb"):
        count_red_flashes(np.zeros((4, 2, 3)), RATE_HZ)
