"""The compiled loop of the interpolation, against the sum that it stands for."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.sound.kernels import upsample


@pytest.mark.parametrize(("phases", "length", "count"), [(0, 16, 5), (1, 8, 1), (3, 16, 37), (7, 64, 100)])
def test_upsample_is_the_plain_sum(phases: int, length: int, count: int) -> None:
    rng = np.random.default_rng(phases)
    padded, taps = rng.standard_normal(count + length - 1), rng.standard_normal((phases, length))
    out = np.empty(count * (phases + 1))
    upsample(padded, taps, out)
    grid = out.reshape(count, phases + 1)
    windows = np.lib.stride_tricks.sliding_window_view(padded, length)
    np.testing.assert_array_equal(grid[:, 0], windows[:, length // 2 - 1])
    np.testing.assert_allclose(grid[:, 1:], windows @ taps.T, atol=1e-12)


@pytest.mark.parametrize(("given", "length"), [(19, 16), (40, 12)])
def test_too_few_samples_or_odd_taps_are_refused(given: int, length: int) -> None:
    with pytest.raises(ValueError, match="too few samples"):
        upsample(np.zeros(given), np.zeros((1, length)), np.zeros(10))
