"""Noise of the parts, each source on a random stream of its own.

A stream gives the same numbers whether they are drawn at once or in blocks. Were all noise drawn from one
stream, the preamp's first number would wait for the microphone's last, and nothing could run block by block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.seeds import Seed, generator_of


@dataclass(frozen=True, eq=False)
class NoiseStreams:
    """A generator for each source of noise on a board."""

    microphone: np.random.Generator
    preamp: np.random.Generator
    adc: np.random.Generator


def noise_streams(rng: Seed) -> NoiseStreams:
    """Return the streams of one run, the first three that rng spawns; a second call gives other ones.

    rng: a Generator, or the number that starts one; of a number a second call gives the same ones.
    """
    microphone, preamp, adc = generator_of(rng).spawn(3)
    return NoiseStreams(microphone, preamp, adc)
