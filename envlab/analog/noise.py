"""Noise of the parts, each source on a random stream of its own.

A stream gives the same numbers whether they are drawn at once or in blocks. Were all noise drawn from one
stream, the preamp's first number would wait for the microphone's last, and nothing could run block by block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.seeds import Seed, generator_of
from envlab.units import FloatArray


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


def fill_normal(stream: np.random.Generator, out: FloatArray) -> None:
    """Write a stream's next normal numbers of variance 1 into out, shape (n,).

    Those that stream.standard_normal(n) gives, in two fifths of the time: in a compiled loop the generator's
    fast way is not a call for each number.
    """
    from envlab.analog.kernels import noise_kernels

    noise_kernels.fill_normal(stream, out)
