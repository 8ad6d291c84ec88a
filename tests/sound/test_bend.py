"""How sharply a sound bends, against the second differences of a sampled tone, 4·a·sin²(π·f/rate)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from envlab.sound.clip import Clip
from envlab.sound.internal_rate import Bends, bends_of
from envlab.sound.recording import Recording
from envlab.sound.signals import tone
from envlab.sound.stream import open_sound

RATE_HZ = 48_000.0


def both_are(bends: Bends, expected_hz: float, rel: float) -> bool:
    return (bends.at_once_hz, bends.briefly_hz) == pytest.approx((expected_hz, expected_hz), rel=rel)


@pytest.mark.parametrize("frequency_hz", [50.0, 997.0, 7_000.0, 15_000.0])
def test_a_tone_bends_as_it_does(frequency_hz: float) -> None:
    t = np.arange(24_000) / RATE_HZ
    sine = 0.3 * np.sin(2 * np.pi * frequency_hz * t) * np.hanning(t.size)
    assert both_are(bends_of([sine], RATE_HZ), frequency_hz, 0.02)


def test_a_soft_treble_counts_by_its_own_bend() -> None:
    # 1 % of 4 kHz over 100 Hz: second differences add up, 1·(2π·100)² + 0.01·(2π·4000)², seen at most; of the
    # treble half a millisecond sees two cycles, of the bass a crest.
    t = np.arange(48_000) / RATE_HZ
    both = (np.sin(2 * np.pi * 100 * t) + 0.01 * np.sin(2 * np.pi * 4000 * t)) * np.hanning(t.size)
    bends = bends_of([both], RATE_HZ)
    assert bends.at_once_hz == pytest.approx(np.sqrt(100**2 + 0.01 * 4000**2), rel=0.05)
    assert bends.briefly_hz == pytest.approx(np.sqrt(0.01 * 4000**2), rel=0.05)


def test_silence_does_not_bend_and_a_click_bends_as_no_tone_can() -> None:
    click = np.zeros(100)
    click[50] = 1.0
    assert bends_of([np.zeros(100)], RATE_HZ) == Bends(0.0, 0.0)
    bends = bends_of([click], RATE_HZ)
    # Its second difference is 2 of the peak, half of what half the rate has: a quarter of the rate.
    assert bends.at_once_hz == pytest.approx(RATE_HZ / 4)
    # 1, 2 and 1 of the peak in 24 samples: sin² = π/2·(4/24)/4.
    assert bends.briefly_hz == pytest.approx(RATE_HZ / np.pi * np.arcsin(np.sqrt(np.pi / 48)))


def test_a_start_and_a_stop_bend_too() -> None:
    whole = tone(100.0, 1.0, 0.1, RATE_HZ, np.pi / 2)
    fading_in = whole[::-1][:-10] * np.linspace(0.0, 1.0, whole.size - 10)
    # From 0 to the peak and on: second differences of 1 and 1 in 24 samples, sin² = π/2·(2/24)/4.
    step_hz = RATE_HZ / np.pi * np.arcsin(np.sqrt(np.pi / 96))
    for found in (bends_of([whole], RATE_HZ), bends_of([fading_in], RATE_HZ)):
        assert found.at_once_hz > 5e3
        assert found.briefly_hz == pytest.approx(step_hz, rel=0.02)
    assert bends_of([whole * np.hanning(whole.size)], RATE_HZ).at_once_hz < 200.0


def test_pieces_and_loudness_do_not_matter() -> None:
    noise = np.random.default_rng(3).standard_normal(5_000)
    whole = bends_of([noise], RATE_HZ)
    assert bends_of([noise[:1], noise[1:3], np.empty(0), noise[3:2_000], noise[2_000:]], RATE_HZ) == whole
    softly = bends_of([1e-3 * noise], RATE_HZ)
    assert (softly.at_once_hz, softly.briefly_hz) == pytest.approx((whole.at_once_hz, whole.briefly_hz))


def test_a_streamed_file_bends_as_the_same_one_held(tmp_path: Path) -> None:
    path = tmp_path / "song.wav"
    music = np.random.default_rng(4).standard_normal(40_000) * np.hanning(40_000) * 0.1 + 0.005
    soundfile.write(path, music, 44_100, subtype="FLOAT")
    held, streamed = Clip(path, 90.0).sound(), open_sound(path, 90.0, held_s=0.1)
    assert isinstance(held, Recording)
    assert not isinstance(streamed, Recording)
    for name in ("at_once_hz", "briefly_hz"):
        assert getattr(streamed.bends, name) == pytest.approx(getattr(held.bends, name), rel=1e-9)
    assert held.largest_pa <= streamed.within_pa < 2 * held.largest_pa
