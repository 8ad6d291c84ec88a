"""What a sound level meter would show of a recording: Leq, F and S, weighted [IEC61672-1]."""

from __future__ import annotations

import math

import numpy as np

from envlab.errors import ParameterError, check_choice, check_positive
from envlab.sound.level import leq_db_spl, weighted_pa
from envlab.units import REFERENCE_PRESSURE_PA, FloatArray

# [IEC61672-1], section 5.8: time constants of the exponential time weightings.
TIME_CONSTANT_S = {"F": 0.125, "S": 1.0}
# As meters print them: Leq over the stretch; F or S as the eye reads a moving display; and its maximum.
READINGS = ("Leq", "F", "S", "Fmax", "Smax")
# A display changes some times a second; finer steps show nothing more.
_SHOWN_EVERY_S = 0.05


def time_weighted_db_spl(
    pressure_pa: FloatArray, sample_rate_hz: float, weighting: str, speed: str
) -> FloatArray:
    """Return the level that a meter shows, dB SPL, one value a sample, shape (n,), from silence on.

    One pole on the square of the weighted pressure ([IEC61672-1], equation 1).

    Parameters
    ----------
    pressure_pa : ndarray of float
        Shape (n,), Pa.
    sample_rate_hz : float
        Samples a second, Hz, above 0.
    weighting : str
        "Z", "A" or "C".
    speed : str
        "F" (125 ms) or "S" (1 s).

    Returns
    -------
    ndarray of float

    References
    ----------
    [IEC61672-1] Time weightings.

    Examples
    --------
    >>> from envlab.sound.metering.meter import time_weighted_db_spl
    >>> from envlab.sound.signals import tone
    >>> shown = time_weighted_db_spl(tone(1000.0, 2.0**0.5, 2.0, 8000.0), 8000.0, "A", "F")
    >>> round(float(shown[-1]), 1)
    94.0
    """
    from scipy.signal import lfilter

    check_choice("speed", speed, tuple(TIME_CONSTANT_S))
    check_positive("sample_rate_hz", sample_rate_hz, unit="Hz")
    square = np.square(weighted_pa(pressure_pa, sample_rate_hz, weighting))
    kept = math.exp(-1.0 / (sample_rate_hz * TIME_CONSTANT_S[speed]))
    smooth = lfilter([1.0 - kept], [1.0, -kept], square)
    floor = REFERENCE_PRESSURE_PA**2 * 1e-12
    return np.asarray(10.0 * np.log10(np.maximum(smooth, floor) / REFERENCE_PRESSURE_PA**2))


def shown_db_spl(
    pressure_pa: FloatArray, sample_rate_hz: float, weighting: str, reading: str, settle_samples: int = 0
) -> tuple[float, float]:
    """Return what somebody reads off a meter during a stretch, dB SPL, and how far it moved meanwhile, dB.

    Parameters
    ----------
    pressure_pa : ndarray of float
        Shape (n,), Pa: the stretch, with settle_samples before it, which the meter hears already.
    sample_rate_hz : float
        Samples a second, Hz.
    weighting : str
        "Z", "A" or "C".
    reading : str
        One of READINGS: "F" and "S" are the median of what the display shows during the stretch.
    settle_samples : int
        Of the pressure's start, which the reader does not look at.

    Returns
    -------
    tuple
        Level; and half the way from the 16th to the 84th percentile of what the display shows, which for a
        normal spread is its standard deviation. 0 for Leq and maxima, which stand still.
    """
    check_choice("reading", reading, READINGS)
    if pressure_pa.size <= settle_samples:
        raise ParameterError("pressure_pa", pressure_pa.shape, "longer than what is not looked at")
    if reading == "Leq":
        return leq_db_spl(pressure_pa[settle_samples:], sample_rate_hz, weighting), 0.0
    shown = time_weighted_db_spl(pressure_pa, sample_rate_hz, weighting, reading[0])[settle_samples:]
    if reading.endswith("max"):
        return float(shown.max()), 0.0
    some = shown[:: max(1, round(_SHOWN_EVERY_S * sample_rate_hz))]
    low, middle, high = np.percentile(some, (16, 50, 84))
    return float(middle), 0.5 * float(high - low)
