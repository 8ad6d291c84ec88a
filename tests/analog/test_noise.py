"""Noise drawn in blocks is the noise of the whole, and no source hears another."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.analog.microphone import Microphone, self_noise_pa
from envlab.analog.noise import noise_streams
from envlab.analog.preamp import Preamp, input_noise_v
from envlab.chain import Chain


def test_in_blocks_as_at_once():
    at_once = Chain().noise_pa(10_000, 48e3, noise_streams(np.random.default_rng(3)))
    streams = noise_streams(np.random.default_rng(3))
    blocks = [Chain().noise_pa(size, 48e3, streams) for size in (1, 999, 64, 5_000, 3_936)]
    assert np.array_equal(np.concatenate(blocks), at_once)


def test_each_source_has_its_own_stream():
    # Another preamp leaves the microphone's noise as it was: the sum is that of independent sources.
    heard = self_noise_pa(Microphone(), 50_000, 48e3, noise_streams(np.random.default_rng(3)).microphone)
    added = input_noise_v(Preamp(), 50_000, 48e3, noise_streams(np.random.default_rng(3)).preamp)
    sensitivity = Microphone().sensitivity_v_pa
    sum_pa = Chain().noise_pa(50_000, 48e3, noise_streams(np.random.default_rng(3)))
    assert sum_pa == pytest.approx(heard + added / sensitivity, abs=1e-15)
    # Uncorrelated: within four deviations of 1/√n.
    assert abs(np.corrcoef(heard, added)[0, 1]) < 4 / np.sqrt(50_000)


def test_a_second_run_on_one_generator_is_another_noise():
    rng = np.random.default_rng(3)
    first, second = noise_streams(rng), noise_streams(rng)
    draws = [
        stream.standard_normal()
        for streams in (first, second)
        for stream in (streams.microphone, streams.preamp, streams.adc)
    ]
    assert len(set(draws)) == 6
