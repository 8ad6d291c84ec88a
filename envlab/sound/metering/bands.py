"""How a recording's power is shared among bass, middle and treble, as a weighting sees it."""

from __future__ import annotations

import numpy as np

from envlab.sound.feed import Pieces, regrouped
from envlab.sound.level import weighting_db
from envlab.units import FloatArray

# Under and over these, small recorders' microphones differ from flat (common practice, no source).
BASS_HZ, TREBLE_HZ = 200.0, 4000.0
_BLOCK = 1 << 13


def band_shares(pieces: Pieces, sample_rate_hz: float, weighting: str) -> tuple[float, float]:
    """Return the shares of weighted power under BASS_HZ and over TREBLE_HZ, 0 to 1 each; zeros for silence.

    pieces: a signal in any unit, at sample_rate_hz, Hz. weighting: "Z", "A" or "C".
    """
    window = np.hanning(_BLOCK)
    frequency_hz: FloatArray = np.fft.rfftfreq(_BLOCK, 1.0 / sample_rate_hz).astype(np.float64)
    weight = 10 ** (weighting_db(frequency_hz, weighting) / 10)
    power: FloatArray = np.zeros(frequency_hz.size)
    for block in regrouped(pieces, _BLOCK):
        whole = np.concatenate((block, np.zeros(_BLOCK - block.size)))
        power = power + np.square(np.abs(np.fft.rfft((whole - whole.mean()) * window)))
    weighted = power * weight
    total = float(weighted.sum())
    if total == 0:
        return 0.0, 0.0
    bass = float(weighted[frequency_hz < BASS_HZ].sum()) / total
    return bass, float(weighted[frequency_hz > TREBLE_HZ].sum()) / total
