"""How late the light is: from the first moment of a sound to the first frame that shows it.

onset_lag_ms: pink noise bursts out of one second of silence at street level, noise off. For each of 32 frame
phases spread evenly over a frame, the first frame after the onset whose L* is at least half of the largest L*
of the next 200 ms; mean and worst over the phases, plus the time that the chain of pixels takes to receive a
frame. A candidate that stays dark has the whole 200 ms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.chain import Chain
from envlab.engine.followed_envelopes import read_envelopes
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.sound.recording import Recording
from envlab.sound.signals import pink_noise
from envlab.units import FloatArray, IntArray, pressure_rms_pa

SILENCE_S = 1.0
WINDOW_S = 0.2
PHASES = 32
_TEST_RATE_HZ = 48_000.0
_BURST_SEED = 1009


@dataclass(frozen=True, eq=False)
class OnsetLatency:
    """mean_ms, worst_ms: shape (candidates,), over 32 frame phases, transmission included."""

    mean_ms: FloatArray
    worst_ms: FloatArray


def onset_test(level_db_spl: float) -> Recording:
    """Return the test signal: a second of silence, then pink noise whose Leq is level_db_spl."""
    rng = np.random.default_rng(_BURST_SEED)
    burst = pink_noise(pressure_rms_pa(level_db_spl), WINDOW_S + 0.05, _TEST_RATE_HZ, rng)
    quiet = np.zeros(int(SILENCE_S * _TEST_RATE_HZ))
    return Recording(np.concatenate((quiet, burst)), _TEST_RATE_HZ, "onset test")


@dataclass(frozen=True, eq=False)
class OnsetInstants:
    """When frames show which reading. latency_s: from onset to frame, s, shape (frames, PHASES). index:
    rising,
    the readings that are shown; place: shape (frames · PHASES,), which of them each frame shows."""

    latency_s: FloatArray
    index: IntArray
    place: IntArray


def onset_instants(chain: Chain) -> OnsetInstants:
    """Return the instants of the onset test at this chain's ADC and frame rates."""
    frames = int(np.floor(WINDOW_S * chain.frame_rate_hz + 1e-9))
    latency_s = (np.arange(frames)[:, None] + np.arange(PHASES) / PHASES) / chain.frame_rate_hz
    latest = np.floor((SILENCE_S + latency_s.ravel()) * chain.adc.rate_hz + 1e-9).astype(np.int64)
    index, place = np.unique(latest, return_inverse=True)
    return OnsetInstants(latency_s, index, place)


def latency_of_envelope(
    envelope_counts: FloatArray, table: LookupTable, instants: OnsetInstants
) -> FloatArray:
    """Return the latency of each frame phase, ms without transmission.

    Of one board's envelope at the instants.

    envelope_counts: shape (instants.index.size,), counts above quiescent.
    """
    codes = table.look_up(envelope_counts)[instants.place].reshape(instants.latency_s.shape)
    lightness = lightness_cie1976(codes / table.brightest_code)
    largest = lightness.max(axis=0)
    first_frame = (lightness >= largest / 2).argmax(axis=0)
    latency_ms = 1e3 * instants.latency_s[first_frame, np.arange(PHASES)]
    return np.asarray(np.where(largest > 0, latency_ms, 1e3 * WINDOW_S))


def onset_latency(
    chains: list[Chain], level_db_spl: float, tables: list[LookupTable] | None = None
) -> OnsetLatency:
    """Return the onset latency of each chain at a street level in dB SPL; chains as for read_chains."""
    tables = tables or [chain.brightness_table() for chain in chains]
    instants = onset_instants(chains[0])
    envelope, _ = read_envelopes(onset_test(level_db_spl), chains, instants.index)
    mean_ms, worst_ms = np.empty(len(chains)), np.empty(len(chains))
    for i, table in enumerate(tables):
        latency_ms = latency_of_envelope(envelope[i], table, instants) + 1e3 * chains[i].transmission_s
        mean_ms[i], worst_ms[i] = latency_ms.mean(), latency_ms.max()
    return OnsetLatency(mean_ms, worst_ms)
