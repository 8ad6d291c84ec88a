"""Sums of stretches: whatever stands side by side, each is summed in the order of its samples."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.analog.kernels.lane_kernels import STRIP, TILE
from envlab.analog.kernels.tolerance_kernels import sums_of


@pytest.mark.parametrize("length", [8, STRIP, TILE])
@pytest.mark.parametrize("samples", [1, 8, 63, 8 * TILE, 65_536, 65_536 - 77])
def test_a_stretch_is_summed_in_the_order_of_its_samples(length, samples):
    signal = np.random.default_rng(samples).standard_normal(samples)
    # accumulate cannot but add one sample after the other, in contrast to numpy's sum.
    wanted = [np.add.accumulate(signal[first : first + length])[-1] for first in range(0, samples, length)]
    np.testing.assert_array_equal(sums_of(signal, length), wanted)
