"""What the firmware makes of many chains' readings: the envelope behind each chain's follower."""

from __future__ import annotations

import functools
from collections.abc import Callable

import numpy as np

from envlab.analog.adc import instants_s
from envlab.chain import Chain
from envlab.digital.followers import Follower, PassThrough, follow
from envlab.sound.recording import Recording
from envlab.study.readings import read_chains
from envlab.units import FloatArray, IntArray


def read_envelopes(
    recording: Recording,
    chains: list[Chain],
    reading_index: IntArray,
    *,
    seed: tuple[int, ...] | None = None,
    workers: int = 2,
    progress: Callable[[float], None] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return (envelope counts above rest at the readings named, clipped share), rows in the order of chains.

    Shapes (chains, readings) and (chains,). Arguments as read_chains. A follower sees every reading, so only
    where no chain has one are the readings between left out.
    """
    read_at = functools.partial(read_chains, recording, chains, seed=seed, workers=workers, progress=progress)
    groups: dict[Follower, list[int]] = {}
    for place, chain in enumerate(chains):
        groups.setdefault(chain.follower, []).append(place)
    if all(isinstance(follower, PassThrough) for follower in groups):
        read = read_at(reading_index)
        return read.counts.astype(np.float64), read.clipped_share
    rate_hz = chains[0].adc.rate_hz
    read = read_at(np.arange(instants_s(recording.duration_s, rate_hz).size))
    envelopes = np.empty((len(chains), reading_index.size))
    for follower, places in groups.items():
        followed, _ = follow(read.counts[places].astype(np.float64), follower, rate_hz=rate_hz)
        envelopes[places] = followed[:, reading_index]
    return envelopes, read.clipped_share
