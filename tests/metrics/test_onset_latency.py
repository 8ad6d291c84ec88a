"""Onset latency: frame arithmetic by hand for a detector that follows at once.

And brute force for the others.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.analog.adc import Adc
from envlab.analog.detector import PeakDetector
from envlab.analog.preamps.preamp import Preamp
from envlab.chain import Chain
from envlab.digital.followers import AttackRelease
from envlab.light.curve import BrightnessMap
from envlab.light.lightness import lightness_cie1976
from envlab.light.pixels import Pixels
from envlab.metrics import onset_latency as onset
from envlab.metrics.onset_latency import onset_latency, onset_test
from envlab.sound.level import leq_db_spl
from envlab.sound.recording import Recording

AT_ONCE = PeakDetector(1.0, 1e-9, 1e9)


@pytest.fixture
def tone_onset(monkeypatch: pytest.MonkeyPatch) -> None:
    """A 4 kHz tone of 100 dB SPL out of a second of silence instead of the noise."""
    peak_pa = math.sqrt(2) * 20e-6 * 10**5
    burst = peak_pa * np.sin(2 * np.pi * 4000 * np.arange(12_000) / 48e3)
    recording = Recording(np.concatenate((np.zeros(48_000), burst)), 48e3)
    monkeypatch.setattr(onset, "onset_test", lambda _level: recording)


@pytest.mark.usefixtures("tone_onset")
def test_a_detector_that_follows_at_once_waits_for_reading_frame_and_wire():
    # Floor 85, ceiling 90, tone 100 dB SPL: the reading at the onset is dark, the one 1 ms later is full. At
    # 32 phases of p·10 ms/32 the first frame at or after 1 ms: p = 4…31 wait p/32 of a frame, p = 0…3 a whole
    # one more. Worst (3/32 + 1)·10 ms = 10.9375 ms, mean (496 + 4·32)/32²·10 ms = 6.09375 ms. Then the
    # wire: 24 pixels · 30 µs + 280 µs = 1 ms.
    chain = Chain(detector=AT_ONCE, brightness=BrightnessMap(85, 90), preamp=Preamp(22e3), pixel_bits=8)
    latency = onset_latency([chain], 92.0)
    assert latency.worst_ms[0] == pytest.approx(10.9375 + 1.0)
    assert latency.mean_ms[0] == pytest.approx(6.09375 + 1.0)


@pytest.mark.usefixtures("tone_onset")
@pytest.mark.parametrize(
    ("frame_rate_hz", "rate_hz", "pixels", "worst_ms", "mean_ms"),
    [
        # 50 Hz frames of 20 ms: phases 0.625 ms apart; p = 0, 1 lie before the reading at 1 ms.
        (50.0, 1000.0, 24, (1 / 32 + 1) * 20 + 1.0, (496 + 2 * 32) / 32**2 * 20 + 1.0),
        # Readings every 0.25 ms: only p = 0 lies before the first one after the onset. 240 pixels: 7.48 ms.
        (100.0, 4000.0, 240, 10 + 7.48, (496 + 32) / 32**2 * 10 + 7.48),
    ],
)
def test_latency_follows_rates_and_chain_length(frame_rate_hz, rate_hz, pixels, worst_ms, mean_ms):
    chain = Chain(
        detector=AT_ONCE,
        brightness=BrightnessMap(85, 90),
        preamp=Preamp(22e3),
        frame_rate_hz=frame_rate_hz,
        adc=Adc(rate_hz=rate_hz),
        pixels=Pixels(count=pixels),
        pixel_bits=8,
    )
    latency = onset_latency([chain], 92.0)
    assert latency.worst_ms[0] == pytest.approx(worst_ms)
    assert latency.mean_ms[0] == pytest.approx(mean_ms)


def test_a_chain_that_stays_dark_has_the_whole_window():
    chain = Chain(brightness=BrightnessMap(125, 130), pixel_bits=8)
    latency = onset_latency([chain], 80.0)
    assert latency.worst_ms[0] == latency.mean_ms[0] == pytest.approx(200 + 1.0)


def test_the_test_signal_is_silence_then_noise_at_street_level():
    recording = onset_test(92.0)
    assert recording.sample_rate_hz == 48_000
    assert not recording.pressure_pa[:48_000].any()
    burst = recording.pressure_pa[48_000:]
    assert leq_db_spl(burst, 48e3) == pytest.approx(92.0, abs=1e-6)
    assert burst.size / 48e3 >= 0.2
    assert np.array_equal(onset_test(92.0).pressure_pa, recording.pressure_pa)


def brute_force(chain: Chain, level_db_spl: float) -> tuple[float, float]:
    """Mean and worst latency in ms by walking through frames, phase by phase.

    On the whole chain's envelope.
    """
    envelope = chain.run(onset_test(level_db_spl)).envelope_counts
    table = chain.brightness_table()
    light = lightness_cie1976(table.look_up(envelope) / table.duty_codes.max())
    latencies_ms = []
    for phase in range(32):
        frames_s = [
            (k + phase / 32) / chain.frame_rate_hz for k in range(int(0.2 * chain.frame_rate_hz + 1e-9))
        ]
        shown = [light[int((1 + t) * chain.adc.rate_hz + 1e-9)] for t in frames_s]
        first = next(t for t, lstar in zip(frames_s, shown, strict=True) if lstar >= max(shown) / 2)
        latencies_ms.append(1e3 * (first + chain.transmission_s))
    return float(np.mean(latencies_ms)), max(latencies_ms)


@pytest.mark.parametrize(
    "chain",
    [
        Chain(),
        Chain(detector=PeakDetector(33e3, 1e-6, 470e3), frame_rate_hz=62.5),
        Chain(follower=AttackRelease(0.03, 0.2), preamp=Preamp(100e3)),
    ],
    ids=["as it comes", "slow", "followed"],
)
def test_equals_brute_force_on_the_whole_chain(chain):
    latency = onset_latency([chain], 92.0)
    mean_ms, worst_ms = brute_force(chain, 92.0)
    assert latency.worst_ms[0] == pytest.approx(worst_ms)
    assert latency.mean_ms[0] == pytest.approx(mean_ms)


def test_more_attack_is_never_earlier():
    chains = [Chain(detector=PeakDetector(ohm, 1e-6, 470e3)) for ohm in (470.0, 4.7e3, 15e3, 47e3)]
    latency = onset_latency(chains, 92.0)
    assert (np.diff(latency.mean_ms) >= 0).all()
    assert latency.mean_ms[-1] > latency.mean_ms[0]
    assert (latency.worst_ms >= latency.mean_ms).all()
