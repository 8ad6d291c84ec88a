"""At which internal rate a sound is heard, by what it is, how loud, and how quick the detector is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.errors import ParameterError
from envlab.sound.internal_rate import INTERNAL_RATES_MIN_HZ, needed_rate_min_hz
from envlab.sound.recording import Recording

NEVER_PA = np.inf


def swelling(frequency_hz: float, rate_hz: float = 48_000.0) -> Recording:
    """A tone of 1 Pa that swells and fades, so that it bends no more sharply than it does at its peak."""
    t = np.arange(round(0.3 * rate_hz)) / rate_hz
    return Recording(np.sin(2 * np.pi * frequency_hz * t) * np.hanning(t.size), rate_hz)


@pytest.mark.parametrize(
    ("frequency_hz", "attack_s", "rate_hz"),
    [
        (100, 1e-3, 96e3), (3_600, 1e-3, 96e3), (3_700, 1e-3, 192e3), (7_200, 1e-3, 192e3),
        (7_500, 1e-3, 288e3), (10_800, 1e-3, 288e3), (11_200, 1e-3, 384e3), (3_600, 1e-2, 96e3),
        (1_700, 1e-4, 96e3), (1_800, 1e-4, 192e3), (3_500, 1e-4, 288e3), (5_300, 1e-4, 384e3),
        (100, 0.9e-4, 384e3), (0.1, 0.0, 384e3),
    ],
)  # fmt: skip
def test_a_tone_is_heard_at(frequency_hz: float, attack_s: float, rate_hz: float) -> None:
    sound = swelling(frequency_hz)
    least_hz = needed_rate_min_hz(sound, NEVER_PA, attack_s)
    assert least_hz in INTERNAL_RATES_MIN_HZ
    assert replace(sound, internal_rate_min_hz=least_hz).internal_rate_hz == rate_hz


def test_between_the_attacks_the_share_lies_between() -> None:
    needed = [needed_rate_min_hz(swelling(3_300), NEVER_PA, attack_s) for attack_s in (1e-4, 3e-4, 8e-4)]
    assert needed == [176_400, 176_400, 88_200]
    needed = [needed_rate_min_hz(swelling(2_400), NEVER_PA, attack_s) for attack_s in (1e-4, 1.5e-4, 5e-4)]
    assert needed == [176_400, 176_400, 88_200]


def test_what_clips_is_heard_more_finely() -> None:
    sound = swelling(1_000)
    needed = [needed_rate_min_hz(sound, clips_pa, 1e-3) for clips_pa in (2.0, 1.0, 0.1, 0.02, 0.008, 0.001)]
    assert needed == [88_200, 88_200, 88_200, 176_400, 264_600, 352_800]


@pytest.mark.parametrize("rate_hz", [8_000.0, 44_100.0, 96_000.0, 192_000.0])
def test_the_rate_that_a_file_has_counts(rate_hz: float) -> None:
    sound = swelling(1_000, rate_hz)
    heard = replace(sound, internal_rate_min_hz=needed_rate_min_hz(sound, NEVER_PA, 1e-3))
    assert heard.internal_rate_hz >= 88_200
    assert heard.internal_rate_hz % rate_hz == 0
    assert sound.internal_rate_hz >= 352_800


@pytest.mark.parametrize("least_hz", [0.0, -1.0, 44_099.0, 1.7e6, np.nan])
def test_a_rate_that_no_circuit_can_be_computed_at_is_refused(least_hz: float) -> None:
    with pytest.raises(ParameterError, match="internal_rate_min_hz"):
        replace(swelling(100.0), internal_rate_min_hz=least_hz)
