"""Lights as shares of the brightest state, seeded: what drums, music and noise may ask for."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

Light = Callable[[np.random.Generator, int, float], np.ndarray]


def drums(rng: np.random.Generator, frames: int, rate_hz: float) -> np.ndarray:
    """Strokes of all strengths, 2 to 4.5 a second, that decay within 30 to 400 ms."""
    stroke_hz, decay = rng.uniform(2, 4.5), np.exp(-1 / (rng.uniform(0.03, 0.4) * rate_hz))
    light, level, due = np.zeros(frames), 0.0, rng.exponential(rate_hz / stroke_hz)
    for frame in range(frames):
        level *= decay
        if frame >= due:
            level = max(level, rng.uniform(0.2, 1))
            due += rate_hz / stroke_hz * rng.uniform(0.7, 1.3)
        light[frame] = level
    return light


def plateaus(rng: np.random.Generator, frames: int, rate_hz: float) -> np.ndarray:
    """Any level, held for any time, 3 to 28 steps a second."""
    steps_hz, light, at = rng.uniform(3, 28), np.empty(frames), 0
    while at < frames:
        length = 1 + int(rng.exponential(rate_hz / steps_hz))
        light[at : at + length] = rng.uniform()
        at += length
    return light


def swell(rng: np.random.Generator, frames: int, rate_hz: float) -> np.ndarray:
    """A level that wanders and comes back, over 20 to 600 ms."""
    keep = np.exp(-1 / (rng.uniform(0.02, 0.6) * rate_hz))
    steps = rng.normal(size=frames) * np.sqrt(1 - keep**2) * rng.uniform(0.1, 0.5)
    light, level, middle = np.empty(frames), 0.0, rng.uniform(0.1, 0.6)
    for frame in range(frames):
        level = keep * level + steps[frame]
        light[frame] = middle + level
    return light.clip(0, 1)


def walk(rng: np.random.Generator, frames: int, rate_hz: float) -> np.ndarray:
    """A level that wanders for ever, thrown back at both ends."""
    steps = rng.normal(0, rng.uniform(0.02, 0.3) * (30 / rate_hz) ** 0.5, frames)
    folded = np.abs(np.cumsum(steps) + rng.uniform()) % 2
    return np.where(folded > 1, 2 - folded, folded)


def noise(rng: np.random.Generator, frames: int, _rate_hz: float) -> np.ndarray:
    """A new level in every frame."""
    return rng.uniform(0, rng.uniform(0.05, 0.5), frames)


LIGHTS: dict[str, Light] = {
    "drums": drums, "plateaus": plateaus, "swell": swell, "walk": walk, "noise": noise,
}  # fmt: skip
