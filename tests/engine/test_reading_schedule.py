"""Readings handed out block by block are those of the whole clip, and so is the converter's noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.analog.adc import Adc, instants_s, stamps_of
from envlab.chain import Chain
from envlab.engine.reading_schedule import Due, every_reading, frame_readings, wanted

RATE_HZ = 352_800.0


def handed_out(readings, adc, samples, edges, seed=None):
    """(upper, fraction, noise), each joined over the blocks between the edges."""
    noise = None if seed is None else np.random.default_rng(seed)
    due = Due(readings, adc, samples, RATE_HZ, noise)
    parts = []
    for start, stop in zip([0, *edges], [*edges, samples], strict=True):
        block = due.before(start, stop)
        assert ((block.upper >= 0) & (block.upper < stop - start)).all()
        parts.append((block.upper + start, block.fraction, block.noise_lsb))
    return [np.concatenate(some) for some in zip(*parts, strict=True)]


@examples(60)
@given(st.integers(1, 400_000), st.sampled_from([10.0, 997.0, 1000.0, 44_100.0]), st.data())
def test_blocks_equal_the_whole(samples, adc_rate_hz, data):
    adc = Adc(rate_hz=adc_rate_hz, noise_lsb=0.7)
    times_s = instants_s(samples / RATE_HZ, adc_rate_hz)
    edges = sorted(data.draw(st.lists(st.integers(1, samples), max_size=4)))
    upper, fraction, noise_lsb = handed_out(every_reading(times_s.size), adc, samples, edges, seed=9)
    expected_upper, expected_fraction = stamps_of(times_s, samples, RATE_HZ)
    expected_noise = 0.7 * np.random.default_rng(9).standard_normal(times_s.size)
    assert np.array_equal(upper, expected_upper)
    assert np.array_equal(fraction, expected_fraction)
    assert np.array_equal(noise_lsb, expected_noise)
    # Some readings only: each has the place and the noise that it has among all.
    some = np.unique(data.draw(st.lists(st.integers(0, times_s.size - 1), max_size=30))).astype(np.int64)
    picked = handed_out(wanted(some), adc, samples, edges, seed=9)
    for found, whole in zip(picked, (expected_upper, expected_fraction, expected_noise), strict=True):
        assert np.array_equal(found, whole[some])


@pytest.mark.parametrize("frame_rate_hz", [10.0, 62.5, 100.0, 333.0, 1000.0])
def test_frames_are_named_piece_by_piece(frame_rate_hz):
    chain = Chain(frame_rate_hz=frame_rate_hz)
    readings = frame_readings(chain, 700)
    pieces = [readings.names(first, min(first + 64, 700)) for first in range(0, 700, 64)]
    assert np.array_equal(np.concatenate(pieces), chain.reading_of_frame(700))


def test_without_noise_there_is_none():
    _, _, noise_lsb = handed_out(every_reading(100), Adc(), 35_280, [64, 6_400])
    assert noise_lsb.tolist() == [0.0] * 100
