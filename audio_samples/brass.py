"""Low brass: lips that open once a period, a bell that radiates the upper harmonics, breaths, slow swells.

The sum over k of r^k sin(k theta) has a closed form, so every harmonic is there, each weaker than the last by
the same factor, and a player who blows harder raises r: louder brass is brighter brass. Corners and depths
are judged by eye on spectra: common practice, no source.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from scipy import special
from shaping import RATE_HZ, FloatArray, along, clock_s, high_pass, lay_out, samples, shaped_noise, wander


def breaths(count: int, rng: np.random.Generator, *, first_s: float) -> FloatArray:
    """Effort 0..1 of one player who takes breath every four to six seconds, first at `first_s`."""
    lead_s = 0.3
    t_s = clock_s(samples(1.5)) - lead_s
    dips = []
    at_s = first_s
    while at_s < count / RATE_HZ:
        gap_s = 0.28 + 0.1 * rng.random()
        let_go = special.expit(-t_s / 0.022)
        start = -np.expm1(-np.maximum(t_s - gap_s, 0) / 0.07)
        dips.append((at_s - lead_s, 1.0, 1 - let_go - start))
        at_s += 4.0 + 2.0 * rng.random()
    return 1 - lay_out(count, dips)


def brass_player(
    effort: FloatArray, notes: Sequence[tuple[float, float]], rng: np.random.Generator
) -> FloatArray:
    """One low brass player: `effort` 0..1 over time and notes as (from time in s, pitch in Hz)."""
    count = len(effort)
    t_s = clock_s(count)
    pitch_hz = along(count, _slides(notes)) if len(notes) > 1 else np.full(count, notes[0][1])
    vibrato = 9.0 * np.sin(2 * np.pi * (4.9 + 0.5 * rng.random()) * t_s + 6.28 * rng.random())
    vibrato *= np.clip(0.5 + 0.5 * wander(count, rng, 0.5), 0, 1.4)
    slack = (1 - np.clip(effort, 0, 1)) ** 3
    cents = 6.0 * rng.standard_normal() + vibrato + 3.0 * wander(count, rng, 2.0) - 45.0 * slack
    frequency_hz = pitch_hz * 2 ** (cents / 1200)
    theta = 2 * np.pi * np.cumsum(frequency_hz) / RATE_HZ
    ratio = np.exp(-frequency_hz / (180.0 + 900.0 * effort**1.4))
    lips = ratio * np.sin(theta) / (1 - 2 * ratio * np.cos(theta) + ratio**2)
    lips *= np.sqrt(2 * (1 - ratio**2)) / ratio
    breath = shaped_noise(count, rng, 400.0, 2500.0, -3.0) * (1 + 0.6 * np.cos(theta))
    flutter = 1 + 0.04 * wander(count, rng, 9.0)
    blown = effort**1.3 * flutter * (lips + 0.012 * breath)
    inhale = 0.006 * shaped_noise(count, rng, 900.0, 4500.0, -3.0) * np.exp(-(effort**2) / 0.01)
    return high_pass(blown, 260.0) + 0.35 * blown + inhale


def _slides(notes: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    points = [notes[0]]
    for (_, old_hz), (at_s, new_hz) in itertools.pairwise(notes):
        points += [(at_s - 0.05, old_hz), (at_s + 0.05, new_hz)]
    return points


def drone(count: int, rng: np.random.Generator, swell: FloatArray) -> FloatArray:
    """Five players on a drone over B flat (58.3 Hz), `swell` 0..1 their common loudness."""
    parts = [
        [(0.0, 58.27)],
        [(0.0, 87.31)],
        [(0.0, 116.54)],
        [(0.0, 174.61), (5.3, 155.56), (8.9, 174.61)],
        [(0.0, 116.54), (5.4, 103.83), (8.8, 116.54)],
    ]
    gains = [1.0, 0.9, 0.8, 0.5, 0.6]
    total = np.zeros(count)
    for i, (notes, gain) in enumerate(zip(parts, gains, strict=True)):
        effort = breaths(count, rng, first_s=2.2 + 0.95 * i) * swell * (1 + 0.05 * wander(count, rng, 1.5))
        total += gain * brass_player(np.clip(effort, 0, 1.2), notes, rng)
    return total
