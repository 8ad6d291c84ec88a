"""The dither's flicker against the codes that are really shown, refresh by refresh."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.digital.fixed_frame import (
    FrameWords,
    frame_codes,
    full_code,
    refresh_thresholds,
    slowest_refresh_hz,
)
from envlab.errors import ParameterError
from envlab.light.power.dither_flicker import dither_flicker

# IEEE 1789-2015, secondary sources, from memory: low risk 0.08·f % from 90 Hz to 1250 Hz, no observable
# effect 0.0333·f % up to 3 kHz.
LOW_RISK, NO_EFFECT = 0.08, 0.0333


def shown(bits: int, dither_bits: int, duties: np.ndarray) -> np.ndarray:
    """Codes (duties, refreshes of one pattern) of one channel."""
    words = FrameWords(1, 1, bits, full_code(bits), dither_bits, 800)
    rows = [
        frame_codes(words, duties[:, np.newaxis], refresh_thresholds(words, phase))[:, 0]
        for phase in range(1 << dither_bits)
    ]
    return np.stack(rows, axis=1)


@pytest.mark.parametrize(("bits", "dither_bits"), [(8, 1), (8, 2), (8, 4), (10, 2)])
@pytest.mark.parametrize("frame_rate_hz", [50.0, 100.0, 400.0])
def test_every_shown_pattern_keeps_what_is_said(bits, dither_bits, frame_rate_hz):
    refresh_hz = slowest_refresh_hz(dither_bits, frame_rate_hz)
    said = dither_flicker(dither_bits, refresh_hz, frame_rate_hz, full_code(bits))
    codes = shown(bits, dither_bits, np.arange(0, 65_536, 3))
    low, high = codes.min(axis=1), codes.max(axis=1)
    moving = high > low
    percent = 100 * (high - low)[moving] / (high + low)[moving]
    allowed = LOW_RISK * refresh_hz / (1 << dither_bits)
    keeps = percent <= allowed
    # The first code from which on all keep the limit, found on what is shown.
    first = int(low[moving][~keeps].max()) + 1 if not keeps.all() else 0
    assert said.low_risk_code == first
    allowed = NO_EFFECT * refresh_hz / (1 << dither_bits)
    assert said.no_effect_code == int(low[moving][percent > allowed].max()) + 1
    # Nothing of what is shown is slower than the rate it is judged at: so many refreshes are one pattern.
    assert said.repetition_hz == pytest.approx(refresh_hz / (1 << dither_bits))
    assert said.repetition_hz >= 200


def test_the_words_say_where_it_begins():
    words = dither_flicker(2, 800.0, 100.0, 70).words
    assert "written 800 times a second, 8 for each frame" in words
    assert "repeats at 200 Hz" in words
    # 3 of 70 codes: Y = 0.042857, L* = 116·Y^(1/3) − 16 = 24.6.
    assert "code 3 of 70 on (L* 25)" in words
    assert "16 % that are of low risk" in words
    assert "at every brightness" in dither_flicker(1, 4000.0, 100.0, 255).words


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ((0, 800.0, 100.0, 70), "dither_bits"),
        ((2, 50.0, 100.0, 70), "refresh_hz"),
        ((2, 800.0, 100.0, 0), "brightest_code"),
    ],
)
def test_what_cannot_be_is_refused(values, name):
    with pytest.raises(ParameterError, match=name):
        dither_flicker(*values)
