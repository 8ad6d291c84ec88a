"""A long signal in few columns: nothing between the columns is lost."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from envlab.plot.columns import columns_of


def test_a_short_span_comes_back_sample_by_sample() -> None:
    signal = np.array([3.0, -1.0, 4.0, 1.0, -5.0, 9.0])
    time_s, low, high = columns_of(signal, 10.0, (0.1, 0.4))
    assert np.array_equal(low, signal[1:5])
    assert np.array_equal(high, signal[1:5])
    assert np.allclose(time_s, [0.1, 0.2, 0.3, 0.4])


def test_samples_that_stand_between_instants_are_drawn_there() -> None:
    time_s, _, _ = columns_of(np.zeros(4), 10.0, (0.0, 0.4), stamp=0.5)
    assert np.allclose(time_s, [0.05, 0.15, 0.25, 0.35])
    time_s, low, _ = columns_of(np.arange(6.0), 10.0, (0.15, 0.35), stamp=0.5)
    assert np.allclose(time_s, [0.15, 0.25, 0.35])
    assert list(low) == [1.0, 2.0, 3.0]


@given(
    size=st.integers(1, 400),
    most=st.integers(1, 50),
    seed=st.integers(0, 1000),
)
def test_every_sample_lies_within_its_column(size: int, most: int, seed: int) -> None:
    signal = np.random.default_rng(seed).standard_normal(size)
    time_s, low, high = columns_of(signal, 1.0, (0.0, float(size)), most=most)
    assert len(time_s) == min(size, most)
    assert high.max() == signal.max()
    assert low.min() == signal.min()
    # Each sample in turn: the column whose middle is nearest holds it.
    for n, value in enumerate(signal):
        width = np.abs(time_s - n).min()
        near = np.flatnonzero(np.abs(time_s - n) <= width + 1.0)
        assert any(low[i] <= value <= high[i] for i in near)
    assert np.all(np.diff(time_s) > 0)


def test_an_empty_span_draws_nothing() -> None:
    assert columns_of(np.zeros(10), 1.0, (20.0, 30.0)).low.size == 0
