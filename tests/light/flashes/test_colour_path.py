"""Red flashes of a costume's codes while they come by: the counter of whole clips, and one written apart."""

from __future__ import annotations

import numpy as np
import pytest
from reference.red_flashes import worst_red_flashes

from envlab.light.colour_tables import ramp_codes
from envlab.light.costume_colour import CostumeColour
from envlab.light.flashes.colour_path import RunningRedFlashes, colour_path, count_path_flashes
from envlab.light.flashes.red_flash import count_red_flashes
from envlab.light.pixels import Pixels, Supply

YOKE, STRONG = Pixels(idle_a=0.0), Supply(100.0)
RED, WARM, AMBER = CostumeColour("#ff0000"), CostumeColour("#ffd0a0", "#ff0000"), CostumeColour("#ff8000")
COLOURS = (RED, WARM, AMBER, CostumeColour("#0000ff", "#ff0000"), CostumeColour("#ff2810", "#00ff00"))
DEEP, SHALLOW = 4095, 63


def path_of(colour: CostumeColour, brightest: int):
    bits = 12 if brightest == DEEP else 6
    return colour_path(colour, YOKE, STRONG, bits, brightest, limited=True)


def wandering(seed: int, brightest: int, frames: int = 400) -> np.ndarray:
    """Codes that hold, jump and fade, dark ones among them."""
    rng = np.random.default_rng(seed)
    levels = np.where(rng.random(60) < 0.3, 0.0, rng.random(60) ** 2)
    held = np.repeat(levels, rng.integers(1, 14, 60))[:frames]
    return np.round(brightest * held).astype(np.int32)


def shown(colour: CostumeColour, codes: np.ndarray, brightest: int) -> np.ndarray:
    bits = 12 if brightest == DEEP else 6
    assert colour.ramp is not None
    # The brightest state is among the codes, so that both call the same states dark.
    return ramp_codes(colour.ramp, codes / brightest, bits) / ((1 << bits) - 1)


@pytest.mark.parametrize("brightest", [DEEP, SHALLOW])
@pytest.mark.parametrize("colour", COLOURS)
@pytest.mark.parametrize("seed", range(4))
def test_equals_the_counter_of_whole_clips(colour, brightest, seed):
    codes = np.append(wandering(seed, brightest), brightest).astype(np.int32)
    path = path_of(colour, brightest)
    assert path is not None
    expected = count_red_flashes(shown(colour, codes, brightest), 50.0)
    assert count_path_flashes(codes, path, 50.0) == expected


@pytest.mark.parametrize("colour", COLOURS)
def test_slow_fades_at_few_frames_a_second_equal_the_counter_of_whole_clips(colour):
    """Steps whose two states lie a whole second apart, to the frame."""
    told_apart = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        walk = np.cumsum(rng.normal(0, 0.25, 60))
        levels = np.abs((walk + 1) % 2 - 1) ** 2
        codes = np.append(np.round(DEEP * levels), DEEP).astype(np.int32)
        rate_hz = float(rng.integers(4, 9))
        expected = count_red_flashes(shown(colour, codes, DEEP), rate_hz)
        assert count_path_flashes(codes, path_of(colour, DEEP), rate_hz) == expected
        told_apart += expected > 0
    assert (told_apart > 0) == path_of(colour, DEEP).can_flash


@pytest.mark.parametrize("frames", [0, 1, 2, 20, 51, 52, 53])
def test_a_clip_shorter_than_a_second_counts_what_it_has(frames):
    codes = np.tile(np.array([DEEP, DEEP, DEEP, 0, 0, 0], np.int32), 9)[:frames]
    expected = count_red_flashes(shown(RED, codes, DEEP), 50.0) if frames else 0
    assert count_path_flashes(codes, path_of(RED, DEEP), 50.0) == expected
    assert expected == max(0, (frames - 1) // 6)


def test_the_cases_are_not_all_alike():
    counts = {
        count_path_flashes(wandering(seed, DEEP), path_of(colour, DEEP), 50.0)
        for seed in range(4)
        for colour in COLOURS
    }
    assert len(counts) > 4


@pytest.mark.parametrize("seed", range(6))
def test_equals_the_definition_written_apart(seed):
    """Dark states are given as white, as the definition is silent of them; deep red, and red into white."""
    colour = (RED, WARM)[seed % 2]
    codes = np.append(wandering(seed, DEEP, 90), DEEP).astype(np.int32)
    light = shown(colour, codes, DEEP)
    dark = light @ [0.2126, 0.7152, 0.0722] < 0.01 * light[-1] @ [0.2126, 0.7152, 0.0722]
    states = [
        (1.0, 1.0, 1.0) if is_dark else tuple(map(float, one))
        for one, is_dark in zip(light, dark, strict=True)
    ]
    assert count_path_flashes(codes, path_of(colour, DEEP), 20.0) == worst_red_flashes(states, 20.0)


@pytest.mark.parametrize("cut", [(1,), (7, 50), (100, 101, 102, 350)])
def test_blocks_of_any_length_equal_the_whole(cut):
    path = path_of(RED, DEEP)
    rows = np.stack([wandering(seed, DEEP, 380)[:380] for seed in (1, 2, 3)])
    running = RunningRedFlashes(3, path, 50.0)
    for block in np.split(rows, cut, axis=1):
        running.take(np.ascontiguousarray(block))
    expected = [count_path_flashes(row, path, 50.0) for row in rows]
    assert running.most_per_s.tolist() == expected
    # Asked twice, it says the same.
    assert running.most_per_s.tolist() == expected


def test_a_colour_without_saturated_red_cannot_flash_red():
    assert not path_of(CostumeColour("#00ff40"), DEEP).can_flash
    assert path_of(RED, DEEP).can_flash
    on_off = np.tile(np.repeat([DEEP, 0], 5), 40).astype(np.int32)
    assert count_path_flashes(on_off, path_of(CostumeColour("#00ff40"), DEEP), 50.0) == 0
    assert count_path_flashes(on_off, path_of(RED, DEEP), 50.0) == 5


def test_what_cannot_flash_is_never_skipped_wrongly():
    """Every pair of states of a path, where it says that none is a step to or from red."""
    for colour in (
        CostumeColour("#ff6000"),
        AMBER,
        CostumeColour("#ffffff", "#ff8080"),
        CostumeColour("#8000ff"),
    ):
        path = path_of(colour, SHALLOW)
        if path.can_flash:
            continue
        apart = np.hypot(*(path.uv[:, None] - path.uv[None]).transpose(2, 0, 1))
        assert not (apart[path.is_red] > 0.2).any()


def test_no_colour_has_no_path():
    assert colour_path(CostumeColour(), YOKE, STRONG, 12, DEEP, limited=True) is None
