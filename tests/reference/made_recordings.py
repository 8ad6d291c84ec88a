"""Recordings to which something was done that recorders do: overload, limiter, automatic gain. All seeded."""

from __future__ import annotations

import io
from collections.abc import Callable

import numba
import numpy as np
import soundfile
from scipy.ndimage import minimum_filter1d
from scipy.signal import resample_poly

Wave = np.ndarray
Fault = Callable[[Wave, float, np.random.Generator], Wave]


def cut_hard(wave: Wave, _: float, rng: np.random.Generator) -> Wave:
    """A converter at its end: 0.1 to 5 % of all samples lie beyond and are cut."""
    beyond = 10 ** rng.uniform(-3, -1.3)
    end = np.quantile(np.abs(wave), 1 - beyond)
    return np.clip(wave, -end, end)


def cut_soft(wave: Wave, _: float, rng: np.random.Generator) -> Wave:
    """An amplifier that bends before its end: x/(1 + |x|^n)^(1/n), the loudest 2 to 5 times too large."""
    bend, over = rng.choice([3, 5, 10]), rng.uniform(2, 5)
    much = wave / np.percentile(np.abs(wave), 99.9) * over
    return much / (1 + np.abs(much) ** bend) ** (1 / bend)


def saturated(wave: Wave, _: float, rng: np.random.Generator) -> Wave:
    """Softer still: tanh, the loudest 2 to 5 times too large."""
    return np.tanh(wave / np.percentile(np.abs(wave), 99.9) * rng.uniform(2, 5))


def limited(wave: Wave, rate_hz: float, rng: np.random.Generator) -> Wave:
    """A limiter that takes 6 to 15 dB off the loudest: looks 0.5 to 3 ms ahead, recovers in 50 to 300 ms."""
    end = np.percentile(np.abs(wave), 99.9) * 10 ** (-rng.uniform(6, 15) / 20)
    ahead = int(rng.uniform(0.0005, 0.003) * rate_hz)
    needed = np.minimum(1.0, end / np.maximum(np.abs(wave), 1e-12))
    kept = np.exp(-1 / (rng.uniform(0.05, 0.3) * rate_hz))
    gain = _recovering(minimum_filter1d(needed, 2 * ahead + 1), kept)
    return wave * np.convolve(gain, np.full(ahead + 1, 1 / (ahead + 1)), "same")


@numba.njit
def _recovering(needed: Wave, kept: float) -> Wave:
    gain, now = np.empty_like(needed), 1.0
    for i in range(needed.size):
        now = min(needed[i], 1 - (1 - now) * kept)
        gain[i] = now
    return gain


def automatic(wave: Wave, rate_hz: float, rng: np.random.Generator) -> Wave:
    """Down within 10 to 100 ms of a loud sound, up again by 2 to 12 dB a second, by 10 to 30 dB at most."""
    target = np.percentile(np.abs(wave), 99) * 10 ** (-rng.uniform(0, 6) / 20)
    down_s, up_db_s = rng.uniform(0.01, 0.1), rng.uniform(2, 12)
    most, wait_s = 10 ** (rng.uniform(10, 30) / 20), rng.uniform(0, 0.5)
    down, up = np.exp(-1 / (down_s * rate_hz)), 10 ** (up_db_s / 20 / rate_hz)
    return wave * _automatic_gain(
        wave, target, np.exp(-1 / (0.02 * rate_hz)), down, up, most, wait_s * rate_hz
    )


@numba.njit
def _automatic_gain(
    wave: Wave, target: float, kept: float, down: float, up: float, most: float, wait: float
) -> Wave:
    gain = np.empty_like(wave)
    now, envelope, waited = 1.0, 0.0, wait
    for i in range(wave.size):
        envelope = max(abs(wave[i]), envelope * kept)
        if envelope * now > target:
            wanted = target / envelope
            now, waited = wanted + (now - wanted) * down, 0.0
        elif waited < wait:
            waited += 1
        elif now < most:
            now *= up
        gain[i] = now
    return gain


def with_pauses(wave: Wave, rate_hz: float, rng: np.random.Generator) -> Wave:
    """25 to 40 s: playing for 2 to 6 s, pauses of 2 to 5 s, over pink noise that is 20 to 40 dB softer."""
    whole = np.zeros(int(rng.uniform(25, 40) * rate_hz))
    fade, at = int(0.05 * rate_hz), int(rng.uniform(0.5, 2) * rate_hz)
    while at < whole.size:
        length, softer = int(rng.uniform(2, 6) * rate_hz), 10 ** (-rng.uniform(0, 8) / 20)
        start = int(rng.integers(max(1, wave.size - length)))
        played = np.resize(wave[start : start + length], length)
        played[:fade] *= np.linspace(0, 1, fade)
        played[-fade:] *= np.linspace(1, 0, fade)
        end = min(whole.size, at + length)
        whole[at:end] += softer * played[: end - at]
        at = end + int(rng.uniform(2, 5) * rate_hz)
    background = pink(whole.size, rng) * 10 ** (-rng.uniform(20, 40) / 20)
    return whole / whole.std() + background


def pink(samples: int, rng: np.random.Generator) -> Wave:
    """Noise whose power is alike in every octave, standard deviation 1."""
    spectrum = np.fft.rfft(rng.standard_normal(samples))
    spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
    noise = np.fft.irfft(spectrum, samples)
    return noise / noise.std()


def saved_16_bit(wave: Wave, rng: np.random.Generator) -> Wave:
    """As a file has it that was made softer afterwards: 0 to 20 dB under full scale, 16 bit."""
    softer = wave / np.abs(wave).max() * 10 ** (-rng.uniform(0, 20) / 20)
    return np.round(softer * 32767) / 32768


def at_another_rate(wave: Wave, rate_hz: float) -> tuple[Wave, float]:
    """44.1 kHz turned into 48 kHz, and the other way round."""
    up, down = (160, 147) if rate_hz == 44_100 else (147, 160)
    return resample_poly(wave, up, down), rate_hz * up / down


def through_a_lossy_coder(wave: Wave, rate_hz: float) -> Wave:
    """Ogg Vorbis at its usual quality, half of full scale."""
    buffer = io.BytesIO()
    with soundfile.SoundFile(buffer, "w", int(rate_hz), 1, format="OGG", subtype="VORBIS") as file:
        for some in np.array_split(wave / np.abs(wave).max() * 0.5, max(1, wave.size // 4096)):
            file.write(some)
    buffer.seek(0)
    return soundfile.read(buffer)[0]


OVERLOADS: dict[str, Fault] = {
    "cut hard": cut_hard,
    "cut soft": cut_soft,
    "saturated": saturated,
    "limited": limited,
}
