"""Sound level: equivalent level of a clip; the weightings Z, A and C of IEC 61672-1:2013 [IEC61672-1].

A level without its weighting says little of drums: a sound level meter set to A, as most are, counts 60 Hz
26 dB less. "Z" counts every frequency alike, "A" takes the bass away as the ear does at low levels, "C"
passes it nearly whole. A constant offset is no sound and counts in none of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from envlab.errors import ParameterError, check_choice, check_positive
from envlab.sound.feed import Feed, Pieces, regrouped
from envlab.units import FloatArray, level_db_spl

WEIGHTINGS = ("Z", "A", "C")

# [IEC61672-1], equations (E.2) to (E.8): the pole frequencies f1 to f4 of the weightings, to the
# five and more metrics that the table of the standard was computed with.
POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
# The filter runs in stretches that overlap by a guard at each end: what a stretch lacks of its neighbours has
# died away before its samples are used (the slowest pole pair is 20.6 Hz: below 1e-17 after 0.35 s).
_GUARD_S = 0.35
_STRETCH = 1 << 19
_SUMMED = 1 << 16


def _response(frequency_hz: FloatArray, weighting: str) -> NDArray[np.complex128]:
    """Complex gain of a weighting, not yet scaled to 0 dB at 1 kHz."""
    f1, f2, f3, f4 = POLES_HZ
    s = 1j * frequency_hz
    both_ends = (s / (s + f1)) ** 2 * (f4 / (s + f4)) ** 2
    if weighting == "Z":
        return np.ones_like(s)
    if weighting == "C":
        return np.asarray(both_ends)
    return np.asarray(both_ends * (s / (s + f2)) * (s / (s + f3)))


_GAIN_1KHZ = {kind: float(abs(_response(np.array([1000.0]), kind)[0])) for kind in WEIGHTINGS}


def weighting_db(frequency_hz: FloatArray | float, weighting: str) -> FloatArray:
    """Return what a weighting adds to a level at frequencies in Hz (≥ 0), dB, same shape.

    [IEC61672-1], Annex E: "C" has two zeros at 0 and poles at f1 and f4, two each; "A" two zeros more and
    poles at f2 and f3; both 0 dB at 1 kHz and −inf at 0 Hz. "Z" is 0 dB throughout. Valid at every frequency;
    the standard tabulates 10 Hz to 20 kHz.

    Parameters
    ----------
    frequency_hz : float or ndarray of float
        Hz, any shape, 0 or more.
    weighting : str
        "Z", "A" or "C".

    Returns
    -------
    ndarray of float

    Raises
    ------
    ParameterError
        For a frequency below 0 Hz, or another weighting.

    Examples
    --------
    >>> from envlab.sound.level import weighting_db
    >>> [round(float(weighting_db(63.1, kind)), 1) for kind in ("Z", "A", "C")]
    [0.0, -26.2, -0.8]
    """
    check_choice("weighting", weighting, WEIGHTINGS)
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(frequency >= 0):
        raise ParameterError("frequency_hz", frequency_hz, "at least 0 Hz")
    gain = np.abs(_response(frequency, weighting)) / _GAIN_1KHZ[weighting]
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(gain))


def _sampled_response(points: int, sample_rate_hz: float, weighting: str) -> NDArray[np.complex128]:
    """Complex gain at points frequencies from 0 to half the rate, 0 dB at 1 kHz.

    Over the last tenth of the band the phase, not the gain, is led to zero: a jump of phase at half the rate
    would ring on for ever, and samples far apart would disturb each other.
    """
    share = np.linspace(0.0, 1.0, points)
    response = _response(share * (sample_rate_hz / 2.0), weighting) / _GAIN_1KHZ[weighting]
    keep = np.cos(np.clip((share - 0.9) / 0.1, 0.0, 1.0) * (math.pi / 2)) ** 2
    return np.asarray(np.abs(response) * np.exp(1j * np.angle(response) * keep))


def weighted_pa(pressure_pa: FloatArray, sample_rate_hz: float, weighting: str) -> FloatArray:
    """Return the weighted pressure in Pa, same shape (n,), silence assumed before and after.

    Each frequency is multiplied by the gain and phase of the analog weighting ([IEC61672-1], Annex E):
    the gain up to half the sample rate, the phase up to 0.9 of that. So nothing is warped at low rates, as
    it would be in a bilinear filter. weighting: "A" or "C"; with "Z" the pressure comes back as it is.
    """
    check_positive("sample_rate_hz", sample_rate_hz, unit="Hz")
    check_choice("weighting", weighting, WEIGHTINGS)
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    if pressure.ndim != 1:
        raise ParameterError("pressure_pa", pressure.shape, "one-dimensional")
    if weighting == "Z":
        return pressure
    stretches = list(_weighted([pressure], pressure.size, sample_rate_hz, weighting))
    return np.concatenate(stretches) if stretches else np.empty(0)


def _weighted(pieces: Pieces, samples: int, sample_rate_hz: float, weighting: str) -> Iterator[FloatArray]:
    """Yield the weighted signal, samples in all, stretch by stretch."""
    guard = math.ceil(_GUARD_S * sample_rate_hz)
    size = max(_STRETCH, 1 << (4 * guard).bit_length())
    size = min(size, 1 << (samples + 2 * guard).bit_length())
    use = size - 2 * guard
    response = _sampled_response(size // 2 + 1, sample_rate_hz, weighting)
    feed = Feed(pieces)
    stretch = np.concatenate((np.zeros(guard), feed.take_padded(size - guard)))
    for start in range(0, samples, use):
        filtered = np.fft.irfft(np.fft.rfft(stretch) * response, size)
        yield filtered[guard : guard + min(use, samples - start)]
        stretch = np.concatenate((stretch[use:], feed.take_padded(use)))


def leq_db_spl(pressure_pa: FloatArray, sample_rate_hz: float, weighting: str = "Z") -> float:
    """Return the equivalent level of a clip, dB SPL re 20 µPa: that of its root mean square [IEC61672-1].

    −inf for silence. A constant offset (the mean over the clip) is taken out first: it is the recorder's.

    Parameters
    ----------
    pressure_pa : ndarray of float
        Shape (n,), Pa.
    sample_rate_hz : float
        Samples a second, Hz, above 0.
    weighting : str
        "Z" counts every frequency alike, "A" and "C" weight first.

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
    extent = extent_of([pressure])
    if extent.low == extent.high:
        return -math.inf
    moving = pressure - extent.mean
    power = mean_square([moving], pressure.size, sample_rate_hz, weighting)
    return level_db_spl(math.sqrt(power))


class Pressure(Protocol):
    """What has a level: pressure in Pa, in pieces, from a recording held or streamed."""

    @property
    def samples(self) -> int:
        """How many samples there are."""

    @property
    def sample_rate_hz(self) -> float:
        """Samples a second, Hz."""

    def pieces(self) -> Pieces:
        """Hand out the pressure from the first sample on, Pa."""


def leq_of(sound: Pressure, weighting: str) -> float:
    """Return the equivalent level of a sound without offset, dB SPL, as leq_db_spl, but piece by piece."""
    power = mean_square(sound.pieces(), sound.samples, sound.sample_rate_hz, weighting)
    return level_db_spl(math.sqrt(power))


@dataclass(frozen=True)
class Extent:
    """samples: how many. low, high: the least and the largest. mean: of all, their constant offset."""

    samples: int
    low: float
    high: float
    mean: float


def extent_of(pieces: Pieces) -> Extent:
    """Return how far a signal goes and about what it swings, in whatever pieces it comes.

    The mean is that of stretches at fixed places, each with its own mean, so that the pieces do not matter to
    the last bit and sums of very large numbers do not leave the range of a float.
    """
    samples, low, high = 0, math.inf, -math.inf
    means: list[tuple[float, int]] = []
    for stretch in regrouped(pieces, _SUMMED):
        samples += stretch.size
        low, high = min(low, float(stretch.min())), max(high, float(stretch.max()))
        means.append((float(np.sum(stretch / stretch.size)), stretch.size))
    mean = math.fsum(mean * (size / samples) for mean, size in means)
    return Extent(samples, low, high, mean)


def mean_square(pieces: Pieces, samples: int, sample_rate_hz: float, weighting: str = "Z") -> float:
    """Return the mean square of a signal of so many samples, in whatever pieces it comes.

    Squares are summed over stretches at fixed places from the first sample on, and these sums in their order,
    so that the pieces do not matter to the last bit.
    """
    if weighting == "Z":
        stretches = regrouped(pieces, _SUMMED)
    else:
        stretches = _weighted(pieces, samples, sample_rate_hz, weighting)
    total = 0.0
    for stretch in stretches:
        total += float(np.sum(np.square(stretch)))
    return total / samples
