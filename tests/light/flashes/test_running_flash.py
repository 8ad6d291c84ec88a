"""Flashes counted frame by frame are those of an independent counter that tries every second."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples
from reference.flashes import worst_flashes

from envlab.light.flashes.flash import count_flashes
from envlab.light.flashes.flash_kernels import count_flashes_rows
from envlab.light.flashes.running_flash import RunningFlashes

BRIGHTEST = [1, 9, 10, 11, 255, 18_058, 65_535]


def taken(codes: np.ndarray, brightest: int, frame_rate_hz: float, sizes: list[int]) -> np.ndarray:
    flashes = RunningFlashes(codes.shape[0], brightest, frame_rate_hz)
    edges = np.cumsum(np.resize(sizes, codes.shape[1]))
    for part in np.split(codes.astype(np.int32), edges[edges < codes.shape[1]], axis=1):
        flashes.take(np.ascontiguousarray(part))
    return flashes.most_per_s


def lights(kind: int, rows: int, frames: int, rng: np.random.Generator) -> np.ndarray:
    """Relative luminance: any, wandering, swinging, and on both sides of 10 % and of 0.80."""
    if kind == 0:
        light = rng.random((rows, frames))
    elif kind == 1:
        light = 0.5 + np.cumsum(rng.normal(0, rng.uniform(0.02, 0.2), (rows, frames)), axis=1)
    elif kind == 2:
        swing = np.sin(np.arange(frames) * rng.uniform(0.1, 3, (rows, 1)))
        light = 0.5 + rng.uniform(0, 0.6) * swing + rng.normal(0, 0.05, (rows, frames))
    else:
        light = rng.choice([0, 0.05, 0.1, 0.15, 0.2, 0.7, 0.75, 0.79, 0.8, 0.85, 0.9, 1.0], (rows, frames))
    return light.clip(0, 1)


@examples(150)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(0, 3),
    st.integers(1, 40),
    st.sampled_from([1.0, 2.0, 5.0, 10.0, 17.5]),
    st.sampled_from(BRIGHTEST),
    st.lists(st.integers(1, 9), min_size=1, max_size=4),
)
def test_equals_the_independent_counter(seed, kind, frames, frame_rate_hz, brightest, sizes):
    codes = np.round(brightest * lights(kind, 3, frames, np.random.default_rng(seed)))
    expected = [worst_flashes(list(row / brightest), frame_rate_hz) for row in codes]
    assert taken(codes, brightest, frame_rate_hz, sizes).tolist() == expected


@pytest.mark.parametrize("kind", range(4))
@pytest.mark.parametrize("brightest", [10, 18_058])
def test_minutes_of_many_rows_equal_the_slow_count(kind, brightest):
    codes = np.round(brightest * lights(kind, 200, 1500, np.random.default_rng(kind)))
    for rate_hz in (25.0, 100.0):
        expected = count_flashes_rows(codes / brightest, rate_hz)
        for sizes in ([1500], [17], [1, 400]):
            assert np.array_equal(taken(codes, brightest, rate_hz, sizes), expected)


@pytest.mark.parametrize(("half_period", "expected"), [(12, 4), (14, 4), (16, 3), (25, 2), (50, 1)])
def test_square_light_has_its_closed_form(half_period, expected):
    # Changes half_period frames apart at 100 Hz; a second of 101 frame starts holds 1 + 100 // half_period
    # of them, two a flash.
    assert expected == (1 + 100 // half_period) // 2
    codes = np.tile(np.repeat([0, 1000], half_period), 30)[np.newaxis]
    assert taken(codes, 1000, 100.0, [64])[0] == expected
    assert count_flashes(codes[0] / 1000, 100.0) == expected


def test_before_any_frame_and_after_one_nothing_flashes():
    flashes = RunningFlashes(2, 255, 100.0)
    assert flashes.most_per_s.tolist() == [0, 0]
    flashes.take(np.array([[0], [255]], dtype=np.int32))
    assert flashes.most_per_s.tolist() == [0, 0]
