"""The all-digital way reads what a meter would, clips where its ADC clips, and says what it costs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.analog.adc import Adc
from envlab.digital.followers import MeanSquare, OnePole, PassThrough, PeakHold
from envlab.digital.sampled_audio import SampledAudio, processor_share, sampled_envelope
from envlab.errors import ParameterError

RATE_HZ = 480_000.0
FAST = Adc(bits=12, reference_v=3.3, rate_hz=20_000.0)
COUNTS_PER_V = 4096 / 3.3
PLAIN = SampledAudio(FAST, 1.0, PassThrough())


def tone(frequency_hz: float, peak_v: float, seconds: float = 1.0):
    return peak_v * np.sin(2 * np.pi * frequency_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


# 15 kHz is folded down to 5 kHz by 20 kHz of sampling; its mean magnitude stays.
@pytest.mark.parametrize("frequency_hz", [440.0, 1000.7, 15_003.0])
def test_mean_and_rms_of_a_sine(frequency_hz):
    signal = tone(frequency_hz, 0.8)
    audio = SampledAudio(FAST, 1.65, OnePole(0.1))
    # Mean of a full-wave rectified sine is 2/pi of its peak.
    mean = sampled_envelope(signal, audio, sample_rate_hz=RATE_HZ)[-200:].mean()
    assert mean == pytest.approx(0.8 * COUNTS_PER_V * 2 / math.pi, rel=5e-3)
    rms = sampled_envelope(signal, SampledAudio(FAST, 1.65, MeanSquare(0.1)), sample_rate_hz=RATE_HZ)
    assert rms[-200:].mean() == pytest.approx(0.8 * COUNTS_PER_V / math.sqrt(2), rel=2e-3)


def test_clips_at_the_rails_of_the_adc():
    signal = tone(300.0, 5.0)
    peak = sampled_envelope(signal, SampledAudio(FAST, 1.65, PeakHold(0.1, 0.1)), sample_rate_hz=RATE_HZ)
    assert peak.max() == 2048.0


def test_one_reading_for_each_period():
    audio = SampledAudio(FAST, 1.65, PassThrough(), reading_rate_hz=500.0)
    envelope = sampled_envelope(np.full(int(RATE_HZ), 0.25), audio, sample_rate_hz=RATE_HZ)
    assert envelope.shape == (500,)
    np.testing.assert_allclose(envelope, 0.25 * COUNTS_PER_V, atol=1.0)


def test_silence_reads_zero_and_noise_does_not():
    audio = SampledAudio(FAST, 1.65, PassThrough())
    quiet = np.zeros(48_000)
    assert sampled_envelope(quiet, audio, sample_rate_hz=RATE_HZ).max() == 0.0
    noisy = sampled_envelope(quiet, audio, sample_rate_hz=RATE_HZ, rng=np.random.default_rng(1))
    assert noisy.max() > 0.0


def test_processor_share():
    # 150 cycles 20,000 times a second are 3 million of 16 million.
    assert processor_share(150, 20_000.0) == pytest.approx(0.1875)


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: SampledAudio(FAST, 4.0, PassThrough()), "bias_v"),
        (lambda: SampledAudio(FAST, 1.65, PassThrough(), reading_rate_hz=1e6), "reading_rate_hz"),
        (lambda: sampled_envelope(np.zeros((2, 2)), PLAIN, sample_rate_hz=RATE_HZ), "preamp_v"),
        (lambda: sampled_envelope(np.zeros(9), PLAIN, sample_rate_hz=1000.0), "rate_hz"),
        (lambda: processor_share(-1, 1000.0), "cycles"),
        (lambda: processor_share(1, 0.0), "rate_hz"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name
