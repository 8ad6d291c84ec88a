"""Noise drawn in blocks is the noise of the whole, and no source hears another."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from envlab.analog.microphone import Microphone, self_noise_pa
from envlab.analog.noise import fill_normal, noise_streams
from envlab.chain import Chain
from envlab.engine.waves import WhiteNoise
from envlab.sound.recording import Recording


def test_in_blocks_as_at_once():
    at_once = WhiteNoise(noise_streams(np.random.default_rng(3))).next(10_000)
    drawn = WhiteNoise(noise_streams(np.random.default_rng(3)))
    blocks = [drawn.next(size) for size in (1, 999, 64, 5_000, 3_936)]
    assert np.array_equal(np.concatenate([blocks[0], *(block[1:] for block in blocks[1:])]), at_once)
    # Each block begins with the last number of the one before, which the colour of the noise needs.
    assert all(block[0] == before[-1] for before, block in itertools.pairwise(blocks))
    assert WhiteNoise(None).next(100).size == 0


@pytest.mark.parametrize("kind", [np.random.PCG64, np.random.PCG64DXSM, np.random.Philox, np.random.MT19937])
def test_normal_numbers_are_those_of_numpy(kind):
    # So many that some hundred come from the tail and some thousand from the edges of numpy's method.
    ours, numpys = np.random.Generator(kind(11)), np.random.Generator(kind(11))
    for size in (1_000_000, 1, 0, 77):
        out = np.empty(size)
        fill_normal(ours, out)
        np.testing.assert_array_equal(out, numpys.standard_normal(size))
    # And the stream stands where numpy's does.
    assert ours.random() == numpys.random()


def test_each_source_has_its_own_stream():
    # The preamp's numbers leave the microphone's as they were; uncorrelated within four deviations of 1/√n.
    streams = noise_streams(np.random.default_rng(3))
    added = WhiteNoise(streams).next(50_000)[1:]
    heard = self_noise_pa(Microphone(), 50_000, 48e3, streams.microphone)
    alone = self_noise_pa(Microphone(), 50_000, 48e3, noise_streams(np.random.default_rng(3)).microphone)
    assert np.array_equal(heard, alone)
    assert abs(np.corrcoef(heard, added)[0, 1]) < 4 / np.sqrt(50_000)


def test_a_board_hears_its_preamp_whatever_stands_before_it():
    # Under heavy cloth, before a capsule that ends at 3 kHz, the preamp's noise is what it was: 274 µV for
    # 10 nV/√Hz, a gain of 48 and π/2·208 kHz, the capsule's own put 40 dB below.
    silence = Recording(np.zeros(24_000), 48_000.0)
    for microphone in (
        Microphone(
            signal_to_noise_db=90.0, high_corner_hz=3000.0, covering_loss_db=20.0, low_corner_hz=200.0
        ),
        Microphone(signal_to_noise_db=90.0, sensitivity_dbv_pa=-60.0),
    ):
        run = Chain(microphone=microphone).run(silence, 7)
        assert run.preamp_v.std() == pytest.approx(274e-6, rel=0.02)
        assert run.microphone_v.std() < 1e-6


def test_a_second_run_on_one_generator_is_another_noise():
    rng = np.random.default_rng(3)
    first, second = noise_streams(rng), noise_streams(rng)
    draws = [
        stream.standard_normal()
        for streams in (first, second)
        for stream in (streams.microphone, streams.preamp, streams.adc)
    ]
    assert len(set(draws)) == 6
