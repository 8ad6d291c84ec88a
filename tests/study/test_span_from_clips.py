"""Floor and ceiling out of two clips, through the design's own envelope."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.errors import EnvlabError
from envlab.light.curve import BrightnessMap
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.sound.signals import tone
from envlab.study.span_from_clips import span_from_clips

RATE_HZ = 8_000.0
HUM = Recording(tone(1000.0, 1.0, 3.0, RATE_HZ), RATE_HZ, "hum")


def test_a_steady_tone_is_its_own_level() -> None:
    # A steady 1 kHz sine is what floor and ceiling are measured in; the floor lies 1 dB above its level,
    # rounded up to half a decibel (noise and the frame's ripple are under that).
    found = span_from_clips(Chain(), Clip(HUM, 80.0), Clip(HUM, 100.0))
    assert 81.0 <= found.floor_db_spl <= 81.5
    assert found.ceiling_db_spl == 100.0
    assert not found.one_count
    assert found.clipped_share == 0


def test_it_does_what_it_is_for() -> None:
    rng = np.random.default_rng(4)
    pulses = np.arange(24_000) % 4_000 < 1_000
    soft = Recording(rng.standard_normal(24_000), RATE_HZ, "soft")
    loud = Recording(rng.standard_normal(24_000) * pulses, RATE_HZ, "loud")
    chain = Chain()
    quiet_clip, loud_clip = Clip(soft, 70.0), Clip(loud, 98.0)
    found = span_from_clips(chain, quiet_clip, loud_clip)
    lit = replace(chain, brightness=BrightnessMap(found.floor_db_spl, found.ceiling_db_spl))
    dark = lit.run(quiet_clip.recording(), np.random.default_rng(1)).duty
    full = lit.run(loud_clip.recording(), np.random.default_rng(1)).duty
    assert np.mean(dark > 0) <= 0.05
    # Full is reached, or within a step of half a decibel of it, in about 1 % of the frames, and not in more.
    assert full.max() >= 0.9 * lit.duty_limit
    assert np.mean(full >= lit.duty_limit) <= 0.05


def test_the_floor_lies_over_all_but_a_twentieth_of_the_soft_clip() -> None:
    # 8 % of the time it is 12 dB louder, for 0.24 s: the floor has to clear that too.
    burst = 1 + 3 * (np.arange(24_000) % 12_000 > 11_000)
    soft = Clip.as_it_is(Recording(0.02 * HUM.pressure_pa * burst, RATE_HZ, "soft"))
    loudest_db = 20 * np.log10(0.08 / np.sqrt(2) / 20e-6)
    found = span_from_clips(Chain(), soft, Clip(HUM, 100.0))
    assert loudest_db - 1 < found.floor_db_spl < loudest_db + 2


def test_what_the_converter_cannot_see_is_said() -> None:
    found = span_from_clips(Chain(), Clip(HUM, 20.0), Clip(HUM, 135.0))
    assert found.one_count
    assert found.soft_counts < 1
    assert found.clipped_share > 0.5


def test_clips_that_are_too_near_are_refused_in_one_line() -> None:
    with pytest.raises(EnvlabError, match="between dark and full there must be at least 6 dB") as caught:
        span_from_clips(Chain(), Clip(HUM, 80.0), Clip(replace(HUM, name="other"), 84.0))
    assert "\n" not in str(caught.value)
