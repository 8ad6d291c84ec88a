"""What a noisy converter reads on the mean: its steps, rounded by its own noise.

A reading is floor(w + noise), w the pin's voltage in counts. Its mean is Σ Φ((w − k)/σ) over the codes k; far
from a whole step's noise the steps show, from some half a count of noise on they are gone and the mean is
w − ½.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from envlab.analog.adc import Adc
from envlab.units import FloatArray

# From here on a count's steps are gone: what is left of them is under 2·exp(−2π²σ²)/2π, 0.0003 counts.
SMOOTH_LSB = 0.65
# With less noise than this the steps would leave a fit no slope to follow.
LEAST_LSB = 0.2


def line_of(adc: Adc, pin_v: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (level, slope) of a converter's transfer line: what it reads before offset, noise and rounding.

    Parameters
    ----------
    adc : Adc
        With the buffer that it has on its board; its offset is left out.
    pin_v : ndarray of float
        Any shape, V before the pin's buffer.

    Returns
    -------
    tuple of ndarray
        Level, counts, below 0 in a dead zone; its change per volt, counts/V.
    """
    before_v = np.maximum(pin_v, adc.lowest_pin_v)
    level = (before_v * adc.settled_share - adc.dead_low_v) / adc.lsb_v
    share = np.clip(level / 2**adc.bits, 0.0, 1.0)
    bent = np.where((share > 0) & (share < 1), 4 * adc.bow_lsb * (1 - 2 * share) / 2**adc.bits, 0.0)
    slope = np.where(pin_v > adc.lowest_pin_v, adc.settled_share / adc.lsb_v * (1 + bent), 0.0)
    return level + 4 * adc.bow_lsb * share * (1 - share), slope


def mean_reading(level_lsb: FloatArray, noise_lsb: float, top_code: int) -> tuple[FloatArray, FloatArray]:
    """Return (mean, slope) of a reading over the level that is read.

    Parameters
    ----------
    level_lsb : ndarray of float
        Any shape: the pin's voltage in counts, offset included.
    noise_lsb : float
        Rms noise of a reading, counts, at least 0.
    top_code : int
        Where the converter ends, counts.

    Returns
    -------
    tuple of ndarray
        Mean reading, counts; its change per count of level.
    """
    sigma = max(noise_lsb, LEAST_LSB)
    inside = (level_lsb > 4 * sigma + 1) & (level_lsb < top_code - 4 * sigma - 1)
    mean, slope = level_lsb - 0.5, np.ones(level_lsb.shape)
    if noise_lsb < SMOOTH_LSB or not inside.all():
        reach = int(np.ceil(5 * sigma)) + 1
        base = np.floor(level_lsb)
        mean, slope = base - reach, np.zeros(level_lsb.shape)
        mean = np.clip(mean, 0, top_code)
        for step in range(-reach + 1, reach + 1):
            code = base + step
            there = (code >= 1) & (code <= top_code)
            away = (level_lsb - code) / sigma
            mean = mean + np.where(there, ndtr(away), 0.0)
            slope = slope + np.where(there, np.exp(-0.5 * away**2) / (sigma * np.sqrt(2 * np.pi)), 0.0)
    return mean, slope
