"""Test signals: amplitudes, instants and spectra by their definitions."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.sound.signals import pink_noise, silence, tone, tone_burst, white_noise


def test_tone_has_peak_rms_and_phase() -> None:
    sine = tone(440, 2.0, 1.0, 48_000)
    assert sine.shape == (48_000,)
    assert sine[0] == 0.0
    # rms of a sine is peak/√2 over whole periods (arithmetic)
    assert math.sqrt(np.mean(sine**2)) == pytest.approx(2.0 / math.sqrt(2), rel=1e-12)
    assert tone(440, 2.0, 1.0, 48_000, math.pi / 2)[0] == pytest.approx(2.0)


def test_burst_is_silent_outside_and_starts_at_its_zero_crossing() -> None:
    burst = tone_burst(1000, 1.0, 0.010, 0.005, 0.1, 48_000)
    on = np.flatnonzero(burst)
    assert burst.shape == (4800,)
    assert burst[480] == 0.0  # sin 0 at 10 ms
    assert (on[0], on[-1]) == (481, 719)
    np.testing.assert_allclose(burst[480:720], tone(1000, 1.0, 0.005, 48_000), atol=1e-12)


def test_burst_between_samples_keeps_its_own_phase() -> None:
    start_s = 0.01001
    burst = tone_burst(1000, 1.0, start_s, 0.005, 0.1, 48_000)
    k = 481
    assert burst[k] == pytest.approx(math.sin(2 * math.pi * 1000 * (k / 48_000 - start_s)))


def test_burst_beyond_the_end_is_cut() -> None:
    assert np.flatnonzero(tone_burst(1000, 1.0, 0.05, 9.0, 0.1, 8_000))[-1] == 799
    assert not tone_burst(1000, 1.0, 0.2, 1.0, 0.1, 8_000).any()


def test_white_noise_has_equal_power_per_hertz() -> None:
    noise = white_noise(0.3, 4.0, 48_000, np.random.default_rng(1))
    assert math.sqrt(np.mean(noise**2)) == pytest.approx(0.3, rel=1e-12)
    bands = np.array_split(np.abs(np.fft.rfft(noise))[1:] ** 2, 12)
    power = np.array([b.sum() for b in bands])
    # each band holds 8000 independent terms: the spread is 1/√8000 = 1.1 %, five of it 5.6 %
    np.testing.assert_allclose(power / power.mean(), 1.0, atol=0.056)


def test_pink_noise_has_equal_power_per_octave_and_none_below_10_hz() -> None:
    noise = pink_noise(0.3, 20.0, 48_000, np.random.default_rng(2))
    assert math.sqrt(np.mean(noise**2)) == pytest.approx(0.3, rel=1e-12)
    power = np.abs(np.fft.rfft(noise)) ** 2
    frequency = np.fft.rfftfreq(noise.size, 1 / 48_000)
    edges = 80.0 * 2.0 ** np.arange(9)
    octaves = np.array([power[(frequency >= a) & (frequency < b)].sum() for a, b in pairwise(edges)])
    # the lowest octave has 1600 terms: 2.5 % spread, five of it
    np.testing.assert_allclose(octaves / octaves.mean(), 1.0, atol=0.125)
    assert power[frequency < 10].sum() < 1e-20 * power.sum()


def test_noise_repeats_with_its_generator_and_not_otherwise() -> None:
    def draw(seed: int) -> np.ndarray:
        return pink_noise(1.0, 0.5, 8_000, np.random.default_rng(seed))

    np.testing.assert_array_equal(draw(3), draw(3))
    assert not np.array_equal(draw(3), draw(4))


def test_nothing_asked_nothing_given() -> None:
    rng = np.random.default_rng(0)
    assert silence(0.25, 8_000).tolist() == [0.0] * 2000
    assert white_noise(1.0, 0.0, 8_000, rng).size == 0
    assert pink_noise(1.0, 0.0, 8_000, rng).size == 0
    assert not white_noise(0.0, 0.1, 8_000, rng).any()


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: tone(5000, 1.0, 1.0, 8_000), "frequency_hz is 5000; it must be from 0 to 4000 Hz"),
        (lambda: tone(100, math.nan, 1.0, 8_000), "amplitude is nan"),
        (lambda: tone(100, 1.0, -1.0, 8_000), "duration_s is -1.0"),
        (lambda: tone_burst(100, 1.0, -1.0, 1.0, 1.0, 8_000), "start_s is -1.0"),
        (lambda: white_noise(-1.0, 1.0, 8_000, np.random.default_rng(0)), "rms is -1.0"),
        (lambda: pink_noise(1.0, 1e-4, 8_000, np.random.default_rng(0)), "duration_s is 0.0001"),
        (lambda: silence(1.0, 0.0), "sample_rate_hz is 0.0"),
    ],
)
def test_bad_input(call: Callable[[], object], says: str) -> None:
    with pytest.raises(ParameterError, match=says):
        call()
