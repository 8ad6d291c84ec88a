"""How finely in time circuits must be computed on a sound: as coarsely as the error allowed lets them be.

Steps of a circuit that follows a wave err with the square of the step. What counts is how sharply the wave
bends (sound.bend), how far beyond clipping it goes, as a corner that falls between two samples is not seen,
and how quickly the detector charges. At half the rate a board takes half the time.

The shares below were measured: open recordings at 88.2 and 176.4 kHz against 352.8 kHz, as they are and cut
off at 0.3 and 0.1 of their peaks, attacks from 0.1 to 10 ms, and bursts of tones against a solution in
continuous time. They keep what is held within 2e-3 of its peak, as the full rate does.
"""

from __future__ import annotations

import math

import numpy as np

from envlab.sound.interpolate import INTERNAL_RATE_MIN_HZ, internal_rate_hz
from envlab.sound.stream import Sound

INTERNAL_RATES_MIN_HZ = (88_200, 176_400, INTERNAL_RATE_MIN_HZ)
# Attacks, and for each how many cycles of the tone that bends as a sound does may pass in a sample, times how
# far the sound goes beyond clipping; between them along a line in logarithms.
_ATTACKS_S, _MOST_CYCLES = (1e-4, 1e-3), (0.025, 0.055)


def needed_rate_min_hz(sound: Sound, clips_pa: float, attack_s: float) -> int:
    """Return the least internal rate at which boards may hear a sound, Hz, one of INTERNAL_RATES_MIN_HZ.

    Parameters
    ----------
    sound
        As loud as they hear it.
    clips_pa
        Peak pressure from which on one of them clips, Pa, above 0.
    attack_s
        The shortest time constant with which one of their detectors charges, s; under 0.1 ms the full rate.
    """
    if attack_s < _ATTACKS_S[0]:
        return INTERNAL_RATE_MIN_HZ
    cycles = float(np.exp(np.interp(math.log(attack_s), np.log(_ATTACKS_S), np.log(_MOST_CYCLES))))
    bends_hz = sound.bend_hz * max(1.0, sound.within_pa / clips_pa)
    for least_hz in INTERNAL_RATES_MIN_HZ[:-1]:
        if bends_hz <= cycles * internal_rate_hz(sound.sample_rate_hz, least_hz):
            return least_hz
    return INTERNAL_RATE_MIN_HZ
