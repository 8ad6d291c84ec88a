"""Noise, slow curves, reflections and the last touch, shared by all instruments of the demo clips.

All signals are one-dimensional float64 arrays at RATE_HZ. Levels here are relative; a clip gets its
sound pressure level when it is read, not when it is made.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import fft, interpolate, signal

FloatArray = NDArray[np.float64]

RATE_HZ = 48_000
TAPER_START_HZ = 18_000.0
TAPER_END_HZ = 20_000.0


def samples(duration_s: float) -> int:
    """Number of samples in `duration_s` seconds."""
    return round(duration_s * RATE_HZ)


def clock_s(count: int) -> FloatArray:
    """Time of each of `count` samples in seconds, from zero."""
    return np.arange(count) / RATE_HZ


def shaped_noise(
    count: int, rng: np.random.Generator, low_hz: float, high_hz: float, tilt_db_per_octave: float = 0.0
) -> FloatArray:
    """`count` samples of noise at unit rms, 12 dB per octave outside low..high, tilted inside."""
    length = fft.next_fast_len(count, real=True)
    spectrum = fft.rfft(rng.standard_normal(length))
    frequency_hz = np.maximum(fft.rfftfreq(length, 1 / RATE_HZ), 0.5)
    gain = (frequency_hz / 1000.0) ** (tilt_db_per_octave / 6.0206)
    gain /= np.sqrt(1 + (low_hz / frequency_hz) ** 4) * np.sqrt(1 + (frequency_hz / high_hz) ** 4)
    noise = fft.irfft(spectrum * gain, length)[:count]
    return unit_rms(noise)


def wander(count: int, rng: np.random.Generator, knots_per_s: float) -> FloatArray:
    """`count` samples of a smooth random curve of about unit rms with `knots_per_s` free points a second."""
    knots = int(count / RATE_HZ * knots_per_s) + 4
    curve = interpolate.CubicSpline(np.arange(knots) / knots_per_s, rng.standard_normal(knots))
    return np.asarray(curve(clock_s(count)))


def along(count: int, points: Sequence[tuple[float, float]]) -> FloatArray:
    """`count` samples of a smooth curve through (time in s, value), level outside the first and last."""
    times, values = zip(*points, strict=True)
    curve = interpolate.PchipInterpolator(times, values)
    return np.asarray(curve(np.clip(clock_s(count), times[0], times[-1])))


def lay_out(count: int, events: Iterable[tuple[float, float, FloatArray]]) -> FloatArray:
    """Sum of (start in s, gain, sound) on a track of `count` samples; what runs past the ends is cut."""
    track = np.zeros(count)
    for start_s, gain, sound in events:
        first = round(start_s * RATE_HZ)
        head, tail = max(first, 0), min(first + len(sound), count)
        if tail > head:
            track[head:tail] += gain * sound[head - first : tail - first]
    return track


def low_pass(sound: FloatArray, corner_hz: float, order: int = 1) -> FloatArray:
    """Butterworth low pass."""
    return np.asarray(signal.sosfilt(signal.butter(order, corner_hz, fs=RATE_HZ, output="sos"), sound))


def high_pass(sound: FloatArray, corner_hz: float, order: int = 1) -> FloatArray:
    """Butterworth high pass."""
    return np.asarray(
        signal.sosfilt(signal.butter(order, corner_hz, "highpass", fs=RATE_HZ, output="sos"), sound)
    )


def surroundings(
    rng: np.random.Generator, *, reach_s: float, fall_60db_s: float, first_db: float, tail_db: float
) -> FloatArray:
    """Impulse response: the direct sound, a dozen early reflections within `reach_s`, a diffuse tail.

    `first_db` is the strength of the earliest reflection and `tail_db` the energy of the whole tail, both
    relative to the direct sound; `fall_60db_s` is the reverberation time.
    """
    count = samples(fall_60db_s)
    t_s = clock_s(count)
    envelope = np.where(t_s > 0.3 * reach_s, np.exp(-6.9 * t_s / fall_60db_s), 0.0)
    tail = shaped_noise(count, rng, 120.0, 2500.0, -2.0) * envelope
    tail *= 10 ** (tail_db / 20) / np.sqrt(np.sum(tail**2))
    arrivals = np.sort(rng.uniform(0.12, 1.0, 12)) * reach_s
    rough_wall = np.exp(-clock_s(48) / 0.00015)
    rough_wall /= rough_wall.sum()
    strengths = 10 ** (first_db / 20) * arrivals[0] / arrivals * rng.choice([-1.0, 1.0], len(arrivals))
    early = lay_out(
        count, [(at_s, strength, rough_wall) for at_s, strength in zip(arrivals, strengths, strict=True)]
    )
    response = early + tail
    response[0] += 1.0
    return response


def reflected(sound: FloatArray, response: FloatArray) -> FloatArray:
    """`sound` heard through an impulse response, cut to its own length."""
    return np.asarray(signal.oaconvolve(sound, response)[: len(sound)])


def unit_rms(sound: FloatArray) -> FloatArray:
    """`sound` scaled to an rms of one."""
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))


def finished(sound: FloatArray, *, peak_dbfs: float, fade_in_s: float, fade_out_s: float) -> FloatArray:
    """Band-limited (cosine taper 18..20 kHz, nothing above), faded at both ends, scaled to its peak.

    The slow end below 20 Hz goes too: no microphone of this kind hears it.
    """
    count = len(sound)
    length = fft.next_fast_len(count + RATE_HZ // 2, real=True)
    frequency_hz = fft.rfftfreq(length, 1 / RATE_HZ)
    position = np.clip((frequency_hz - TAPER_START_HZ) / (TAPER_END_HZ - TAPER_START_HZ), 0, 1)
    gain = 0.5 * (1 + np.cos(np.pi * position)) * np.clip((frequency_hz - 10.0) / 10.0, 0, 1)
    limited = fft.irfft(fft.rfft(sound, length) * gain, length)[:count]
    t_s = clock_s(count)
    rise = np.clip(t_s / fade_in_s, 0, 1)
    fall = np.clip((t_s[-1] - t_s) / fade_out_s, 0, 1)
    faded = limited * np.sin(0.5 * np.pi * rise) ** 2 * np.sin(0.5 * np.pi * fall) ** 2
    return np.asarray(faded * 10 ** (peak_dbfs / 20) / np.max(np.abs(faded)))
