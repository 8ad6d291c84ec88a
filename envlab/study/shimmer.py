"""Slow shimmer: ripple of a bass note, read at the frame rate, seen as a light that breathes.

frame_shimmer_lstar: for a steady sine of f = 40, 40.37, 40.74 … 200 Hz, at the level where the mean L* over
a cycle of the settled detector is 50: the largest less the smallest L* over the frames of 10 s, the reading
in whole counts; the worst f. The follower is left out: it can only smooth. A table that cannot reach a mean
of 50 is taken as near to it as it comes. Behind a passive diode, which does not scale with the level, the
figure is not judged: NaN.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from envlab.analog.detector import Detector, hold_steps
from envlab.analog.rectifier import Rectifier, rectify
from envlab.chain import Chain
from envlab.errors import ParameterError, check_range
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.study.clip_pass import behaviour
from envlab.units import FloatArray

FREQUENCIES_HZ: FloatArray = np.asarray(40 + 0.37 * np.arange(433), dtype=np.float64)
WATCHED_S = 10.0
# Held samples then err by 3e-5 of the peak (error (2π/256)²/24).
_STEPS_PER_CYCLE = 256


@dataclass(frozen=True, eq=False)
class Shimmer:
    """worst_lstar: L*; at_hz: the frequency of it. Both of shape (candidates,)."""

    worst_lstar: FloatArray
    at_hz: FloatArray


def frame_shimmer(
    chains: list[Chain], tables: list[LookupTable] | None = None, *, workers: int = 2
) -> Shimmer:
    """Return the worst shimmer of each chain between 40 and 200 Hz; noise off, definition above."""
    tables = tables or [chain.brightness_table() for chain in chains]
    alike: dict[tuple[object, ...], list[int]] = {}
    for place, chain in enumerate(chains):
        if chain.rectifier.scales_with_level:
            key = (behaviour(chain.detector_as_built), chain.rectifier, chain.adc, chain.frame_rate_hz)
            alike.setdefault(key, []).append(place)
    worst, at_hz = np.full(len(chains), np.nan), np.full(len(chains), np.nan)

    def one(places: list[int]) -> None:
        cycles = _cycles(chains[places[0]].detector_as_built, chains[places[0]].rectifier)
        swing = cycles.max(axis=1) / cycles.min(axis=1)
        known: dict[bytes, tuple[float, float]] = {}
        for place in places:
            table = tables[place]
            codes = table.duty_codes.tobytes()
            if codes not in known:
                known[codes] = _worst(cycles, swing, chains[place], table)
            worst[place], at_hz[place] = known[codes]

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(one, alike.values()))
    return Shimmer(worst, at_hz)


def _worst(cycles: FloatArray, swing: FloatArray, chain: Chain, table: LookupTable) -> tuple[float, float]:
    from envlab.study import shimmer_kernels

    frames = int(WATCHED_S * chain.frame_rate_hz)
    worst, at_hz = shimmer_kernels.worst_shimmer(
        cycles, swing, FREQUENCIES_HZ, chain.frame_rate_hz, frames, _lightness_of_count(chain, table)
    )
    return float(worst), float(at_hz)


def _lightness_of_count(chain: Chain, table: LookupTable) -> FloatArray:
    codes = table.look_up(np.arange(chain.adc.top_code - chain.rest_counts + 1))
    return lightness_cie1976(codes / table.brightest_code)


@dataclass(frozen=True, eq=False)
class Breathing:
    """A settled detector on one steady note, and the frames that read it; what the figure sees at one f.

    cycle_counts: counts above rest over one cycle of the note, not rounded, evenly spaced. phase: share of a
    cycle at which each frame reads, 0..1, shape (frames,). lightness: L* of each frame, shape (frames,).
    """

    frequency_hz: float
    cycle_counts: FloatArray
    phase: FloatArray
    lightness: FloatArray

    @property
    def shimmer_lstar(self) -> float:
        """Largest less smallest L* over the frames."""
        return float(self.lightness.max() - self.lightness.min())


def breathing(chain: Chain, frequency_hz: float) -> Breathing:
    """Return what the frames make of a steady note, 10 to 1000 Hz, at the level where the mean L* is 50.

    The figure's own definition at one frequency; raises ParameterError behind a passive diode.
    """
    from envlab.study import shimmer_kernels

    check_range("frequency_hz", frequency_hz, 10, 1000, unit="Hz")
    if not chain.rectifier.scales_with_level:
        raise ParameterError("diode", chain.rectifier.diode, '"none": shimmer is not judged behind a diode')
    (cycle_v,) = _cycles(chain.detector_as_built, chain.rectifier, np.array([frequency_hz]))
    of_count = _lightness_of_count(chain, chain.brightness_table())
    first = max(int(np.searchsorted(of_count, 50.0)), 1) / cycle_v.mean()
    scale = shimmer_kernels.scale_for(50.0, cycle_v, of_count, first)
    frames = np.arange(int(WATCHED_S * chain.frame_rate_hz), dtype=np.float64)
    phase = np.asarray((frames * (frequency_hz / chain.frame_rate_hz)) % 1.0)
    counts = np.minimum((scale * cycle_v[(phase * cycle_v.size).astype(int)]).astype(int), of_count.size - 1)
    return Breathing(frequency_hz, scale * cycle_v, phase, of_count[counts])


def _cycles(
    detector: Detector, rectifier: Rectifier, frequencies_hz: FloatArray = FREQUENCIES_HZ
) -> FloatArray:
    from envlab.study import shimmer_kernels

    phase = 2 * np.pi * np.arange(_STEPS_PER_CYCLE) / _STEPS_PER_CYCLE
    steps = hold_steps(detector, _STEPS_PER_CYCLE * frequencies_hz)
    cycles: FloatArray = shimmer_kernels.settled_cycles(rectify(np.sin(phase), rectifier), steps)
    return cycles
