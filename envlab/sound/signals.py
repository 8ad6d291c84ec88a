"""Test signals as plain arrays: tones, bursts, noise, silence. The unit is that of the amplitude given."""

from __future__ import annotations

import math

import numpy as np

from envlab.errors import ParameterError, check_positive, check_range
from envlab.seeds import Seed, generator_of
from envlab.units import FloatArray

__all__ = [
    "pink_noise",
    "silence",
    "tone",
    "tone_burst",
    "white_noise",
]

PINK_LOW_HZ = 10.0


def silence(duration_s: float, sample_rate_hz: float) -> FloatArray:
    """Return zeros, n = round(duration_s·sample_rate_hz) of them.

    Parameters
    ----------
    duration_s : float
        Length, s, 0 or more.
    sample_rate_hz : float
        Samples a second, Hz, above 0.

    Returns
    -------
    ndarray of float
        Shape (n,).
    """
    check_range("duration_s", duration_s, 0.0, unit="s")
    check_positive("sample_rate_hz", sample_rate_hz, unit="Hz")
    return np.zeros(round(duration_s * sample_rate_hz))


def tone(
    frequency_hz: float,
    amplitude: float,
    duration_s: float,
    sample_rate_hz: float,
    phase_rad: float = 0.0,
) -> FloatArray:
    """Return amplitude·sin(2π·f·t + phase), t = k/rate.

    Parameters
    ----------
    frequency_hz : float
        0 to half the rate, Hz.
    amplitude : float
        The peak, in any unit, which is that of the samples too.
    duration_s : float
        Length, s, 0 or more.
    sample_rate_hz : float
        Samples a second, Hz, above 0.
    phase_rad : float
        At the first sample, rad.

    Returns
    -------
    ndarray of float
        Shape (n,), in the unit of amplitude.
    """
    n = silence(duration_s, sample_rate_hz).size
    _check_tone(frequency_hz, amplitude, sample_rate_hz)
    t = np.arange(n) / sample_rate_hz
    return np.asarray(amplitude * np.sin(2.0 * math.pi * frequency_hz * t + phase_rad))


def tone_burst(
    frequency_hz: float,
    amplitude: float,
    start_s: float,
    burst_s: float,
    duration_s: float,
    sample_rate_hz: float,
) -> FloatArray:
    """Silence, then a tone that starts at its zero crossing at start_s and lasts burst_s, then silence.

    Shape (n,), n = round(duration·rate). The tone is on at every sample with start ≤ t < start + burst; it is
    cut, not faded, so an end off the zero crossing is a step.

    Parameters
    ----------
    frequency_hz : float
        0 to half the rate, Hz.
    amplitude : float
        Peak, any unit, which is that of the samples too.
    start_s : float
        When it begins, s.
    burst_s : float
        Length of the burst, s.
    duration_s : float
        Length, s, 0 or more.
    sample_rate_hz : float
        Samples a second, Hz, above 0.

    Returns
    -------
    ndarray of float
        Shape (n,), in the unit of amplitude.
    """
    signal = silence(duration_s, sample_rate_hz)
    _check_tone(frequency_hz, amplitude, sample_rate_hz)
    check_range("start_s", start_s, 0.0, unit="s")
    check_range("burst_s", burst_s, 0.0, unit="s")
    # A start meant to fall on a sample must not slip to the next one by rounding.
    first = math.ceil(start_s * sample_rate_hz - 1e-6)
    last = min(math.ceil((start_s + burst_s) * sample_rate_hz - 1e-6), signal.size)
    t = np.arange(first, max(first, last)) / sample_rate_hz - start_s
    signal[first : first + t.size] = amplitude * np.sin(2.0 * math.pi * frequency_hz * t)
    return signal


def white_noise(rms: float, duration_s: float, sample_rate_hz: float, rng: Seed) -> FloatArray:
    """Return Gaussian noise with equal power per Hz up to half the rate, scaled to exactly this rms.

    Parameters
    ----------
    rms : float
        Root mean square of the noise, any unit, which is that of the samples too.
    duration_s : float
        Length, s, 0 or more.
    sample_rate_hz : float
        Samples a second, Hz, above 0.
    rng : int or numpy Generator
        Where the chance comes from.

    Returns
    -------
    ndarray of float
        Shape (n,), in the unit of rms.
    """
    check_range("rms", rms, 0.0)
    n = silence(duration_s, sample_rate_hz).size
    return _scaled(generator_of(rng).standard_normal(n), rms)


def pink_noise(rms: float, duration_s: float, sample_rate_hz: float, rng: Seed) -> FloatArray:
    """Gaussian noise with equal power per octave from 10 Hz up, shape (n,), scaled to exactly this rms.

    It is made in the frequency domain, so it may be repeated end to end without a seam.

    Parameters
    ----------
    rms : float
        Root mean square of the noise, any unit, which is that of the samples too.
    duration_s : float
        Length, s, 0 or more.
    sample_rate_hz : float
        Samples a second, Hz, above 0.
    rng : int or numpy Generator
        Where the chance comes from.

    Returns
    -------
    ndarray of float
        Shape (n,), in the unit of rms.
    """
    check_range("rms", rms, 0.0)
    n = silence(duration_s, sample_rate_hz).size
    if n == 0:
        return np.zeros(0)
    spectrum = np.fft.rfft(generator_of(rng).standard_normal(n))
    frequency = np.fft.rfftfreq(n, 1.0 / sample_rate_hz)
    heard = frequency >= PINK_LOW_HZ
    shape = np.zeros(frequency.size)
    shape[heard] = 1.0 / np.sqrt(frequency[heard])
    if not heard.any():
        raise ParameterError("duration_s", duration_s, "at least two samples long")
    return _scaled(np.fft.irfft(spectrum * shape, n), rms)


def _scaled(noise: FloatArray, rms: float) -> FloatArray:
    measured = math.sqrt(float(np.mean(np.square(noise)))) if noise.size else 0.0
    return np.asarray(noise * (rms / measured)) if measured > 0 else np.zeros(noise.size)


def _check_tone(frequency_hz: float, amplitude: float, sample_rate_hz: float) -> None:
    check_range("frequency_hz", frequency_hz, 0.0, sample_rate_hz / 2.0, unit="Hz")
    check_range("amplitude", amplitude)
