"""Sound level: equivalent level of a clip, and the A weighting of IEC 61672-1:2013 [IEC61672-1]."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from envlab.errors import ParameterError, check_choice, check_positive
from envlab.sound.feed import Feed, Pieces, regrouped
from envlab.units import FloatArray, level_db_spl

WEIGHTINGS = ("Z", "A")

# [IEC61672-1], equations (E.2) to (E.8): the pole frequencies f1 to f4 of the A weighting, to the
# five and more metrics that the table of the standard was computed with.
A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
# The filter runs in stretches that overlap by a guard at each end: what a stretch lacks of its neighbours has
# died away before its samples are used (the slowest pole pair is 20.6 Hz: below 1e-17 after 0.35 s).
_GUARD_S = 0.35
_STRETCH = 1 << 19
_SUMMED = 1 << 16


def _a_response(frequency_hz: FloatArray) -> NDArray[np.complex128]:
    """Complex gain of the A weighting, not yet scaled to 0 dB at 1 kHz."""
    f1, f2, f3, f4 = A_POLES_HZ
    s = 1j * frequency_hz
    high = s / (s + f1)
    low = f4 / (s + f4)
    return np.asarray(high**2 * (s / (s + f2)) * (s / (s + f3)) * low**2)


_GAIN_1KHZ = float(abs(_a_response(np.array([1000.0]))[0]))


def a_weighting_db(frequency_hz: FloatArray | float) -> FloatArray:
    """A weighting in dB at frequencies in Hz (≥ 0; −inf at 0), same shape.

    [IEC61672-1], Annex E: four zeros at 0, poles at f1 and f4 (two each), f2 and f3; 0 dB at 1 kHz.
    Valid at every frequency; the standard tabulates 10 Hz to 20 kHz.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(frequency >= 0):
        raise ParameterError("frequency_hz", frequency_hz, "at least 0 Hz")
    gain = np.abs(_a_response(frequency)) / _GAIN_1KHZ
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(gain))


def _sampled_response(points: int, sample_rate_hz: float) -> NDArray[np.complex128]:
    """Complex gain at points frequencies from 0 to half the rate, 0 dB at 1 kHz.

    Over the last tenth of the band the phase, not the gain, is led to zero: a jump of phase at half the rate
    would ring on for ever, and samples far apart would disturb each other.
    """
    share = np.linspace(0.0, 1.0, points)
    response = _a_response(share * (sample_rate_hz / 2.0)) / _GAIN_1KHZ
    keep = np.cos(np.clip((share - 0.9) / 0.1, 0.0, 1.0) * (math.pi / 2)) ** 2
    return np.asarray(np.abs(response) * np.exp(1j * np.angle(response) * keep))


def a_weight(pressure_pa: FloatArray, sample_rate_hz: float) -> FloatArray:
    """A-weighted pressure in Pa, same shape (n,), silence assumed before and after.

    Each frequency is multiplied by the gain and phase of the analog weighting ([IEC61672-1], Annex E):
    the gain up to half the sample rate, the phase up to 0.9 of that. So nothing is warped at low rates, as
    it would be in a bilinear filter.
    """
    check_positive("sample_rate_hz", sample_rate_hz, unit="Hz")
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    if pressure.ndim != 1:
        raise ParameterError("pressure_pa", pressure.shape, "one-dimensional")
    stretches = list(_a_weighted([pressure], pressure.size, sample_rate_hz))
    return np.concatenate(stretches) if stretches else np.empty(0)


def _a_weighted(pieces: Pieces, samples: int, sample_rate_hz: float) -> Iterator[FloatArray]:
    """Yield the A-weighted signal, samples in all, stretch by stretch."""
    guard = math.ceil(_GUARD_S * sample_rate_hz)
    size = max(_STRETCH, 1 << (4 * guard).bit_length())
    size = min(size, 1 << (samples + 2 * guard).bit_length())
    use = size - 2 * guard
    response = _sampled_response(size // 2 + 1, sample_rate_hz)
    feed = Feed(pieces)
    stretch = np.concatenate((np.zeros(guard), feed.take_padded(size - guard)))
    for start in range(0, samples, use):
        filtered = np.fft.irfft(np.fft.rfft(stretch) * response, size)
        yield filtered[guard : guard + min(use, samples - start)]
        stretch = np.concatenate((stretch[use:], feed.take_padded(use)))


def leq_db_spl(pressure_pa: FloatArray, sample_rate_hz: float, weighting: str = "Z") -> float:
    """Return the equivalent level of a clip, dB SPL re 20 µPa: that of its root mean square [IEC61672-1].

    −inf for silence. A constant offset counts under "Z" as sound would.

    Parameters
    ----------
    pressure_pa : ndarray of float
        Shape (n,), Pa.
    sample_rate_hz : float
        Samples a second, Hz, above 0.
    weighting : str
        "Z" counts every frequency alike, "A" weights first.

    Returns
    -------
    float

    References
    ----------
    [IEC61672-1] IEC 61672-1:2013, Electroacoustics – Sound level meters – Part 1: Specifications.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import leq_db_spl
    >>> sine_pa = np.sqrt(2) * np.sin(2 * np.pi * np.arange(48_000) / 48)  # 1 Pa rms, 1 kHz
    >>> round(leq_db_spl(sine_pa, 48_000.0), 2)
    93.98
    """
    check_choice("weighting", weighting, WEIGHTINGS)
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    if pressure.size == 0:
        raise ParameterError("pressure_pa", pressure.shape, "at least one sample long")
    return level_db_spl(math.sqrt(mean_square([pressure], pressure.size, sample_rate_hz, weighting)))


def mean_square(pieces: Pieces, samples: int, sample_rate_hz: float, weighting: str = "Z") -> float:
    """Return the mean square of a signal of so many samples, in whatever pieces it comes.

    Squares are summed over stretches at fixed places from the first sample on, and these sums in their order,
    so that the pieces do not matter to the last bit.
    """
    if weighting == "A":
        stretches = _a_weighted(pieces, samples, sample_rate_hz)
    else:
        stretches = regrouped(pieces, _SUMMED)
    total = 0.0
    for stretch in stretches:
        total += float(np.sum(np.square(stretch)))
    return total / samples
