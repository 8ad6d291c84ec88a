"""Measuring a stage the way a bench does: a settled tone in, amplitude and phase out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest


@pytest.fixture(scope="session")
def tone_gain() -> Callable[..., complex]:
    """Complex gain of a stage at a frequency: settled whole cycles, correlated with e^(-jωt)."""

    def measure(
        stage: Callable[[np.ndarray], np.ndarray],
        frequency_hz: float,
        sample_rate_hz: float,
        *,
        settle_s: float = 0.5,
        amplitude: float = 1e-3,
    ) -> complex:
        cycles = max(4, round(0.05 * frequency_hz))
        stretch = round(cycles / frequency_hz * sample_rate_hz)
        frequency_hz = cycles * sample_rate_hz / stretch  # whole cycles in whole samples
        n = np.arange(round(settle_s * sample_rate_hz) + stretch)
        turns = 2j * np.pi * frequency_hz / sample_rate_hz * n
        out = stage(amplitude * np.exp(turns).imag)
        basis = np.exp(-turns[-stretch:])
        return complex(2j * np.mean(out[-stretch:] * basis) / amplitude)

    return measure
