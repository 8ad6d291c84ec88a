"""Voices by formants (singing, calling, talking, a crowd) and small hand bells.

A pulse of the vocal folds passes through four or five resonances of the mouth. The vowels' resonances are the
usual textbook averages for adults (from memory). Bell partials are inharmonic pairs that beat slowly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import signal
from shaping import (
    RATE_HZ,
    FloatArray,
    clock_s,
    high_pass,
    lay_out,
    low_pass,
    samples,
    shaped_noise,
    unit_rms,
    wander,
)

VOWELS_HZ = {
    "a": (730.0, 1090.0, 2440.0, 3300.0),
    "e": (530.0, 1840.0, 2480.0, 3400.0),
    "i": (290.0, 2250.0, 2950.0, 3500.0),
    "o": (550.0, 850.0, 2410.0, 3250.0),
    "u": (320.0, 870.0, 2240.0, 3200.0),
    "m": (250.0, 1050.0, 2150.0, 3000.0),
}
WIDTHS_HZ = (80.0, 95.0, 130.0, 190.0)
GAINS = {
    "a": (1.0, 0.6, 0.22, 0.14),
    "e": (1.0, 0.42, 0.28, 0.16),
    "i": (1.0, 0.22, 0.20, 0.14),
    "o": (1.0, 0.45, 0.10, 0.07),
    "u": (0.9, 0.28, 0.06, 0.04),
    "m": (0.5, 0.05, 0.03, 0.02),
}
LOUDNESS = {"a": 1.0, "e": 0.9, "i": 0.75, "o": 0.9, "u": 0.65, "m": 0.4}


@dataclass(frozen=True)
class Syllable:
    """One sung or spoken sound: start, length, pitch from and to, vowel, loudness, hiss before it."""

    start_s: float
    length_s: float
    from_hz: float
    to_hz: float
    vowel: str
    loudness: float
    hiss: float = 0.0


@dataclass(frozen=True)
class Throat:
    """One person: length of the vocal tract (1 is average, shorter raises formants), vibrato, breath."""

    tract: float = 1.0
    vibrato_cents: float = 0.0
    breath: float = 0.03
    brightness_hz: float = 1500.0


def utter(line: Sequence[Syllable], throat: Throat, count: int, rng: np.random.Generator) -> FloatArray:
    """`count` samples of one person uttering `line`."""
    return lay_out(count, [(s.start_s - 0.08, s.loudness, _one_sound(s, throat, rng)) for s in line])


def _one_sound(syllable: Syllable, throat: Throat, rng: np.random.Generator) -> FloatArray:
    lead_s = 0.08
    count = samples(syllable.length_s + lead_s + 0.12)
    t_s = clock_s(count) - lead_s
    along = np.clip(t_s / syllable.length_s, 0, 1)
    pitch_hz = syllable.from_hz * (syllable.to_hz / syllable.from_hz) ** along
    late = np.clip(t_s / 0.35, 0, 1)
    vibrato = np.sin(2 * np.pi * (5.2 + 0.5 * rng.random()) * t_s + 6.28 * rng.random())
    scoop = np.exp(-np.maximum(t_s, 0) / 0.04)
    cents = throat.vibrato_cents * late * vibrato - 60.0 * scoop
    cents += 6.0 * wander(count, rng, 6.0) + 4.0 * wander(count, rng, 40.0)
    frequency_hz = pitch_hz * 2 ** (cents / 1200)
    attack_s = 0.02 + 0.15 * min(syllable.length_s, 0.3)
    rise = np.clip(t_s / attack_s, 0, 1)
    fall = np.clip((syllable.length_s + 0.1 - t_s) / (0.1 + 0.2 * attack_s), 0, 1)
    envelope = np.sin(0.5 * np.pi * rise * fall) ** 2
    voiced = _mouth(_folds(frequency_hz, throat, rng) * envelope, syllable.vowel, throat.tract)
    voiced = LOUDNESS[syllable.vowel] * unit_rms(voiced)
    hiss = np.exp(-(((t_s + 0.035) / 0.022) ** 2)) * shaped_noise(count, rng, 2800.0, 6500.0)
    return voiced + 0.12 * syllable.hiss * hiss


def _folds(frequency_hz: FloatArray, throat: Throat, rng: np.random.Generator) -> FloatArray:
    """Pulses of the vocal folds and the breath between them; harmonics fall by one ratio, as in the brass."""
    count = len(frequency_hz)
    theta = 2 * np.pi * np.cumsum(frequency_hz) / RATE_HZ
    ratio = np.exp(-frequency_hz / throat.brightness_hz)
    pulses = ratio * (np.cos(theta) - ratio) / (1 - 2 * ratio * np.cos(theta) + ratio**2)
    pulses *= np.sqrt(2 * (1 - ratio**2)) / ratio
    breath = shaped_noise(count, rng, 800.0, 5000.0, -3.0) * (1 + 0.5 * np.cos(theta))
    return pulses * (1 + 0.05 * wander(count, rng, 25.0)) + throat.breath * breath


def _mouth(source: FloatArray, vowel: str, tract: float) -> FloatArray:
    total = np.zeros(len(source))
    sign = 1.0
    for centre_hz, width_hz, gain in zip(VOWELS_HZ[vowel], WIDTHS_HZ, GAINS[vowel], strict=True):
        radius = np.exp(-np.pi * width_hz / RATE_HZ)
        angle = 2 * np.pi * centre_hz / tract / RATE_HZ
        poles = [1.0, -2 * radius * np.cos(angle), radius**2]
        level = gain * (1 - radius) * 2 * np.sin(angle)
        total += sign * level * signal.lfilter([1.0, 0.0, -1.0], poles, source) / (2 * np.sin(angle))
        sign = -sign
    return total


def choir(
    tune: Sequence[tuple[float, float, float, str]], count: int, rng: np.random.Generator, people: int = 6
) -> FloatArray:
    """People singing `tune`, a list of (start s, length s, pitch Hz, vowel), half of them an octave below."""
    total = np.zeros(count)
    for person in range(people):
        low = person % 2 == 1
        throat = Throat(
            tract=(1.05 if low else 0.88) + 0.05 * rng.standard_normal(),
            vibrato_cents=18.0 + 12.0 * rng.random(),
            breath=0.04,
            brightness_hz=1300.0 + 500.0 * rng.random(),
        )
        detune = 2 ** (7.0 * rng.standard_normal() / 1200) * (0.5 if low else 1.0)
        behind_s = 0.015 * rng.standard_normal()
        line = [
            Syllable(
                start + behind_s + 0.012 * rng.standard_normal(),
                length,
                pitch * detune,
                pitch * detune,
                vowel,
                loudness=0.9 + 0.15 * rng.random(),
                hiss=0.3 * rng.random(),
            )
            for start, length, pitch, vowel in tune
        ]
        total += utter(line, throat, count, rng) * (0.8 + 0.4 * rng.random())
    return unit_rms(total)


def speech(
    duration_s: float,
    pitch_hz: float,
    rng: np.random.Generator,
    *,
    phrase_s: float = 1.8,
    pause_s: float = 0.7,
) -> list[Syllable]:
    """Syllables of somebody talking in short phrases with pauses, in no language."""
    line = []
    at_s = 0.1
    while at_s < duration_s:
        phrase_end_s = at_s + phrase_s * (0.5 + rng.random())
        height = 1.18
        while at_s < min(phrase_end_s, duration_s - 0.2):
            length_s = 0.09 + 0.13 * rng.random()
            start_hz = pitch_hz * height * 2 ** (0.09 * rng.standard_normal())
            vowel = str(rng.choice(["a", "e", "i", "o", "u", "m"]))
            stress, hiss = 0.45 + 0.55 * rng.random(), rng.random() ** 2
            line.append(Syllable(at_s, length_s, start_hz, start_hz * 0.93, vowel, stress, hiss))
            at_s += length_s + 0.03 + 0.09 * rng.random()
            height *= 0.975
        at_s += pause_s * (0.5 + rng.random())
    return line


def crowd(count: int, rng: np.random.Generator, people: int = 14) -> FloatArray:
    """Murmur of a crowd along the street, at unit rms: a few talkers heard many times over, muffled."""
    length = samples(11.0)
    talkers = []
    for i in range(5):
        throat = Throat(tract=0.86 + 0.06 * i, breath=0.08, brightness_hz=1100.0)
        line = speech(length / RATE_HZ, 105.0 + 28.0 * i, rng, pause_s=0.5)
        talkers.append(unit_rms(utter(line, throat, length, rng)))
    total = np.zeros(count)
    for i in range(people):
        pace = 0.9 + 0.2 * rng.random()
        position = (np.arange(count) * pace + rng.integers(0, length)) % length
        heard = np.interp(position, np.arange(length), talkers[i % 5])
        total += heard * (0.3 + 0.7 * rng.random())
    return unit_rms(high_pass(low_pass(total, 1800.0), 150.0))


def cheer(rng: np.random.Generator, length_s: float) -> FloatArray:
    """Sixteen people call out together, each with their own pitch and fall; some clap in gloves."""
    count = samples(2.0 * length_s + 1.5)
    total = np.zeros(count)
    for _ in range(16):
        pitch_hz = 150.0 * 2 ** (1.3 * rng.random())
        own_s = length_s * (0.5 + 0.6 * rng.random())
        start_s = 0.1 + 0.25 * min(abs(rng.standard_normal()), 2.5)
        vowel = str(rng.choice(["a", "e", "o"]))
        loudness = 0.5 + 0.5 * rng.random()
        call = Syllable(start_s, own_s, pitch_hz * 1.15, pitch_hz * 0.85, vowel, loudness, hiss=0.4)
        total += utter([call], Throat(0.85 + 0.25 * rng.random(), 25.0, 0.1, 1900.0), count, rng)
    fall = np.exp(-clock_s(samples(0.05)) / 0.007)
    claps = [
        (float(at_s), 0.25 * rng.random(), fall * shaped_noise(len(fall), rng, 350.0, 1800.0))
        for at_s in 0.3 + length_s * 1.6 * rng.random(140) ** 1.3
    ]
    return total / 3.0 + lay_out(count, claps)


BELL_PARTIALS = (  # ratio to the lowest, gain, ring in s
    (1.0, 1.0, 1.1),
    (2.41, 0.55, 0.62),
    (3.03, 0.28, 0.5),
    (4.62, 0.32, 0.3),
    (6.1, 0.18, 0.2),
    (8.2, 0.1, 0.12),
)


def bell(pitch_hz: float, strength: float, rng: np.random.Generator) -> FloatArray:
    """One stroke of a small hand bell, about unit peak: paired inharmonic partials, the clapper's click."""
    t_s = clock_s(samples(2.6))
    total = np.zeros(len(t_s))
    for ratio, gain, ring_s in BELL_PARTIALS:
        if pitch_hz * ratio > 17_000:
            continue
        split_hz = 0.6 + 2.2 * rng.random()
        hard = gain * strength ** (0.3 * (ratio - 1))
        own_s = 0.55 * ring_s * (1600.0 / pitch_hz) ** 0.5
        pair = np.sin(2 * np.pi * pitch_hz * ratio * t_s) + 0.6 * np.sin(
            2 * np.pi * (pitch_hz * ratio + split_hz) * t_s + 6.28 * rng.random()
        )
        total += hard * np.exp(-t_s / own_s) * pair
    click = 0.8 * strength * np.exp(-t_s / 0.0012) * shaped_noise(len(t_s), rng, 2500.0, 9000.0)
    start = -np.expm1(-t_s / 0.0005)
    end = np.clip((t_s[-1] - t_s) / 0.2, 0, 1)
    return strength * (total + click) * start * end / 2.2


def hand_bells(
    strokes_s: Sequence[float], count: int, rng: np.random.Generator, *, shaken: float = 0.35
) -> FloatArray:
    """Four bell ringers who take turns at `strokes_s`; sometimes the clapper touches a second time."""
    pitches_hz = (1396.9, 1661.2, 1864.7, 2217.5)
    events = []
    for i, at_s in enumerate(strokes_s):
        pitch_hz = pitches_hz[int(rng.integers(0, 4))] if i % 3 else pitches_hz[0]
        strength = 0.45 + 0.5 * rng.random()
        moment_s = at_s + 0.012 * rng.standard_normal()
        events.append((moment_s, 1.0, bell(pitch_hz, strength, rng)))
        if rng.random() < shaken:
            events.append((moment_s + 0.11 + 0.04 * rng.random(), 1.0, bell(pitch_hz, 0.5 * strength, rng)))
    return lay_out(count, events)
