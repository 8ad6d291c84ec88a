"""What is heard beside the music: room and fan, coughs and steps, wind, cloth over the microphone's port."""

from __future__ import annotations

import numpy as np
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


def room_tone(count: int, rng: np.random.Generator) -> FloatArray:
    """Air of a quiet rehearsal room with a fan behind a grille, at unit rms: no strokes."""
    t_s = clock_s(count)
    air = shaped_noise(count, rng, 60.0, 700.0, -4.0) * (1 + 0.06 * wander(count, rng, 0.7))
    grille = 0.28 * shaped_noise(count, rng, 500.0, 2500.0, -3.0)
    turn = 2 * np.pi * np.cumsum(118.0 * (1 + 0.002 * wander(count, rng, 0.8))) / RATE_HZ
    fan = 0.16 * np.sin(turn) + 0.07 * np.sin(2 * turn + 1.0) + 0.03 * np.sin(3 * turn + 2.0)
    lamp = 0.05 * np.sin(2 * np.pi * 100.0 * t_s) + 0.02 * np.sin(2 * np.pi * 300.0 * t_s + 0.4)
    return unit_rms(air + grille + fan + lamp)


def cough(rng: np.random.Generator) -> FloatArray:
    """A cough of two pushes at about unit peak: a burst of air through an open throat, then some voice."""
    count = samples(0.75)
    t_s = clock_s(count)
    throat = shaped_noise(count, rng, 350.0, 1700.0, -2.0)
    envelope = np.zeros(count)
    for start_s, force in ((0.02, 1.0), (0.34, 0.7)):
        since_s = np.maximum(t_s - start_s, 0)
        envelope += force * -np.expm1(-since_s / 0.006) * np.exp(-since_s / 0.06)
    voice = np.sin(2 * np.pi * np.cumsum(170.0 - 60.0 * t_s) / RATE_HZ)
    sound = envelope * (throat + 0.8 * voice)
    return sound / np.max(np.abs(sound))


def footstep(rng: np.random.Generator, *, thump: float, snow: float) -> FloatArray:
    """One step: heel and sole as a low thump, packed snow that crunches; parts relative to each other."""
    count = samples(0.42)
    t_s = clock_s(count)
    total = np.zeros(count)
    for start_s, force in ((0.005, 1.0), (0.115 + 0.02 * rng.random(), 0.55)):
        since_s = np.maximum(t_s - start_s, 0)
        fall_hz = 62.0 + 10.0 * rng.random()
        total += thump * force * np.sin(2 * np.pi * fall_hz * since_s) * np.exp(-since_s / 0.035)
        knock = shaped_noise(count, rng, 90.0, 500.0, -4.0) * np.exp(-since_s / 0.02) * (since_s > 0)
        total += thump * 0.25 * force * knock
    grain = _crackle(count, rng, 420.0)
    press = np.exp(-(((t_s - 0.10) / 0.055) ** 2))
    total += snow * press * grain
    return total * np.clip((t_s[-1] - t_s) / 0.05, 0, 1)


def _crackle(count: int, rng: np.random.Generator, grains_per_s: float) -> FloatArray:
    """Many short noisy grains, a few of them strong: snow under a sole, cloth over a hole."""
    hits = rng.random(count) < grains_per_s / RATE_HZ
    force = np.zeros(count)
    force[hits] = rng.exponential(1.0, int(hits.sum())) * rng.choice([-1.0, 1.0], int(hits.sum()))
    fine = low_pass(high_pass(force, 700.0, 2), 5200.0, 2)
    return unit_rms(fine + 1e-12)


def wind(count: int, rng: np.random.Generator, gusts: FloatArray) -> FloatArray:
    """Wind over the port: rumble that grows with the square of `gusts` (0..1), whistle with its cube."""
    swirl = np.clip(1 + 0.35 * wander(count, rng, 7.0) + 0.25 * wander(count, rng, 22.0), 0.1, None)
    rumble = shaped_noise(count, rng, 25.0, 110.0, -5.0)
    rush = shaped_noise(count, rng, 180.0, 900.0, -5.0)
    speed = gusts * swirl
    return speed**2 * rumble + 0.16 * speed**3 * rush


def cloth_rub(rng: np.random.Generator, length_s: float) -> FloatArray:
    """Scarf or coat that slides over the port once: a scrape with grains, rough and uneven."""
    count = samples(length_s)
    t_s = clock_s(count)
    slide = np.sin(np.pi * t_s / length_s) ** 1.5 * np.clip(1 + 0.6 * wander(count, rng, 18.0), 0.05, None)
    scrape = shaped_noise(count, rng, 150.0, 2600.0, -4.5)
    return slide * (scrape + 0.5 * _crackle(count, rng, 900.0))


def steps(
    count: int, rng: np.random.Generator, *, start_s: float, per_minute: float, thump: float, snow: float
) -> FloatArray:
    """Somebody walking from `start_s` to the end, left and right foot a little unequal."""
    events = []
    at_s, foot = start_s, 0
    while at_s < count / RATE_HZ:
        gain = (1.0, 0.82)[foot % 2] * 10 ** (1.3 * rng.standard_normal() / 20)
        events.append((at_s, gain, footstep(rng, thump=thump, snow=snow)))
        at_s += 60.0 / per_minute * (1 + 0.015 * rng.standard_normal())
        foot += 1
    return lay_out(count, events)
