"""Slow ripple aliasing: ripple of a bass note, read at the frame rate, seen as a light that breathes.

frame_shimmer_lstar: for a steady sine of f = 40, 40.37, 40.74 … 200 Hz, at the level where the mean L* over
a cycle of the settled detector is 50: the largest less the smallest L* over the frames of 10 s, the reading
in whole counts; the worst f. Behind a moving mean or maximum of N readings the frames read the mean or the
maximum of the detector over the last N readings, the mean in N-ths of a count (or as fine as FINEST entries
of a table allow); any other follower is left out: it can only smooth. What lies in a converter's dead zone
is not read. A table that cannot reach a mean of 50 is taken as near to it as it comes. A rectifier with
amplifiers is taken as the ideal one, on the pedestal that it rests on: at that level its errors and its dead
time are a small part. Behind a passive diode, which does not scale with the level, the figure is not judged:
NaN.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from envlab.analog.detector import Detector, hold_steps
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.chain import Chain
from envlab.digital.followers import MovingMean, readings_of_window
from envlab.engine.hold_stage import behaviour
from envlab.errors import ParameterError, check_range
from envlab.light.table import LookupTable
from envlab.metrics.clip_metrics import lightness_of_counts, lightness_of_envelope
from envlab.units import FloatArray

FREQUENCIES_HZ: FloatArray = np.asarray(40 + 0.37 * np.arange(433), dtype=np.float64)
WATCHED_S = 10.0
FINEST = 1 << 16
# Held samples then err by 3e-5 of the peak (error (2π/256)²/24).
_STEPS_PER_CYCLE = 256
# Frequencies settled side by side.
_AT_ONCE = 32


@dataclass(frozen=True, eq=False)
class RippleAliasing:
    """worst_lstar: L*; at_hz: the frequency of it. Both of shape (candidates,)."""

    worst_lstar: FloatArray
    at_hz: FloatArray


def frame_ripple_aliasing(
    chains: list[Chain], tables: list[LookupTable] | None = None, *, workers: int = 2
) -> RippleAliasing:
    """Return the worst ripple aliasing of each chain between 40 and 200 Hz; noise off, definition above."""
    tables = tables or [chain.brightness_table() for chain in chains]
    alike: dict[tuple[object, ...], list[int]] = {}
    for place, chain in enumerate(chains):
        fold = _fold_of(chain)
        if fold is not None:
            shown = (chain.adc, chain.frame_rate_hz, _window(chain), chain.quiescent_v)
            key = (behaviour(chain.detector_as_built), fold, *shown)
            alike.setdefault(key, []).append(place)
    worst, at_hz = np.full(len(chains), np.nan), np.full(len(chains), np.nan)

    def one(places: list[int]) -> None:
        first = chains[places[0]]
        fold = _fold_of(first)
        assert fold is not None
        cycles = _Cycles(first.detector_as_built, fold, _window(first))
        known: dict[tuple[bytes, int], tuple[float, float]] = {}
        for place in places:
            table, zero = tables[place], _zero_counts(chains[place])
            key = (table.duty_codes.tobytes(), zero)
            if key not in known:
                known[key] = _worst(cycles, chains[place], table)
            worst[place], at_hz[place] = known[key]

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(one, alike.values()))
    return RippleAliasing(worst, at_hz)


def _fold_of(chain: Chain) -> Rectifier | None:
    """Return the ideal rectifier that folds as the chain's does where L* is 50; None: none does.

    Amplifiers' pedestal, errors and dead time are some per cent of what stands there.
    """
    if isinstance(chain.rectifier, ActiveRectifier):
        return Rectifier(chain.rectifier.kind)
    if isinstance(chain.rectifier, Rectifier) and chain.rectifier.scales_with_level:
        return chain.rectifier
    return None


def _zero_counts(chain: Chain) -> int:
    """Whole counts that amplifiers leave above the reference node in silence, as on a pedestal."""
    if not isinstance(chain.rectifier, ActiveRectifier):
        return 0
    return max(0, round(chain.quiescent_state.held_v / chain.adc.lsb_v))


class _Window(NamedTuple):
    """What a frame shows: the mean, or the maximum, of so many readings that come at rate_hz."""

    readings: int
    rate_hz: float
    is_mean: bool

    def over(self, cycles: FloatArray, frequencies_hz: FloatArray) -> FloatArray:
        """Return what a frame makes of cycles of notes, shape (notes, samples), at each place in them."""
        from envlab.metrics import ripple_aliasing_kernels

        apart = cycles.shape[1] * frequencies_hz[:, np.newaxis] / self.rate_hz
        back = np.rint(np.arange(self.readings) * apart).astype(np.int64)
        return np.asarray(ripple_aliasing_kernels.seen_over(cycles, back, self.is_mean))


def _window(chain: Chain) -> _Window | None:
    readings = readings_of_window(chain.follower, chain.adc.rate_hz)
    if readings == 1:
        return None
    return _Window(readings, chain.adc.rate_hz, isinstance(chain.follower, MovingMean))


def _lightness(chain: Chain, table: LookupTable) -> tuple[FloatArray, int]:
    """L* of every envelope that a frame may show, and how many of them there are to a count.

    They begin at the quiescent voltage, with amplifiers at the reference node; what a dead zone, a buffer or
    a pedestal swallows is as dark as silence.
    """
    window, whole = _window(chain), lightness_of_counts(chain, table)
    finer = 1 if window is None or not window.is_mean else min(window.readings, FINEST // whole.size or 1)
    lost = round(finer * chain.adc_as_built.swallowed_lsb(chain.quiescent_v))
    lost += finer * _zero_counts(chain)
    if finer == 1:
        return np.concatenate((np.full(lost, whole[0]), whole)), 1
    fine = lightness_of_envelope(np.arange(finer * (whole.size - 1) + 1) / finer, table)
    return np.concatenate((np.full(lost, fine[0]), fine)), finer


class _Cycles:
    """Settled cycles of one detector at all frequencies, from the lowest on, as far as somebody asked.

    window: what a frame shows of them; None: the voltage at its moment.
    """

    def __init__(self, detector: Detector, rectifier: Rectifier, window: _Window | None = None) -> None:
        self._window = window
        self._drive_v = _one_drive(rectifier)
        self._steps = hold_steps(detector, _STEPS_PER_CYCLE * FREQUENCIES_HZ)
        self._known: list[FloatArray] = []
        keep = self._steps[::_AT_ONCE]
        # Full wave, the drive comes again after half a cycle.
        steps = _STEPS_PER_CYCLE / (2 if rectifier.kind == "full" else 1)
        with np.errstate(divide="ignore"):
            self._swing = 1.000001 * np.maximum(keep[:, 0], keep[:, 2]) ** -steps

    def swing_at_most(self, piece: int) -> float:
        """No cycle of this piece or a later one has a larger ratio of largest to least voltage.

        However the detector is driven, a step leaves it the larger of charge_keep and bleed_keep; the faster
        the note, the fewer of its seconds go by between crest and valley. (The millionth is for rounding.)
        """
        return float(self._swing[piece])

    def of(self, piece: int) -> FloatArray:
        """Return the cycles of a piece, shape (at most _AT_ONCE, samples), V."""
        from envlab.metrics import ripple_aliasing_kernels

        while len(self._known) <= piece:
            first = len(self._known) * _AT_ONCE
            some = self._steps[first : first + _AT_ONCE]
            settled_v = ripple_aliasing_kernels.settled_cycles(self._drive_v, some)
            if self._window is not None:
                settled_v = self._window.over(settled_v, FREQUENCIES_HZ[first : first + _AT_ONCE])
            self._known.append(settled_v)
        return self._known[piece]


@lru_cache(maxsize=8)
def _places(frame_rate_hz: float) -> NDArray[np.int16]:
    """Sample of its cycle that each frame reads, shape (frequencies, frames)."""
    frames = np.arange(int(WATCHED_S * frame_rate_hz))
    phase = (frames * (FREQUENCIES_HZ[:, np.newaxis] / frame_rate_hz)) % 1.0
    return np.asarray(phase * _STEPS_PER_CYCLE, dtype=np.int16)


def _worst(cycles: _Cycles, chain: Chain, table: LookupTable) -> tuple[float, float]:
    """Largest ripple aliasing and its frequency. The lower the note, the more it can ripple aliasing.

    From the lowest on.
    """
    from envlab.metrics import ripple_aliasing_kernels

    (of_count, _), places = _lightness(chain, table), _places(chain.frame_rate_hz)
    worst, worst_at = -1.0, 0
    for piece, first in enumerate(range(0, FREQUENCIES_HZ.size, _AT_ONCE)):
        if ripple_aliasing_kernels.bound(cycles.swing_at_most(piece), of_count) <= worst:
            break
        worst, at = ripple_aliasing_kernels.worse_ripple_aliasing(
            cycles.of(piece), places[first : first + _AT_ONCE], of_count, worst, worst_at - first
        )
        worst_at = first + at
    return float(worst), float(FREQUENCIES_HZ[worst_at])


@dataclass(frozen=True, eq=False)
class Breathing:
    """A settled detector on one steady note, and the frames that read it; what the metric sees at one f.

    cycle_counts: counts above quiescent (with amplifiers: above the reference node) over one cycle of the
    note, not rounded, evenly spaced, as a frame shows them; a dead zone is not taken off. phase: share of a
    cycle at which each frame reads, 0..1, shape (frames,). lightness: L* of each frame, shape (frames,).
    """

    frequency_hz: float
    cycle_counts: FloatArray
    phase: FloatArray
    lightness: FloatArray

    @property
    def ripple_aliasing_lstar(self) -> float:
        """Largest less smallest L* over the frames."""
        return float(self.lightness.max() - self.lightness.min())


def breathing(chain: Chain, frequency_hz: float) -> Breathing:
    """Return what the frames make of a steady note, 10 to 1000 Hz, at the level where the mean L* is 50.

    The metric's own definition at one frequency; raises ParameterError behind a passive diode.

    Parameters
    ----------
    chain : Chain
        The board.
    frequency_hz : float
        Of the note, 10 to 1000 Hz.

    Returns
    -------
    Breathing
    """
    from envlab.metrics import ripple_aliasing_kernels

    check_range("frequency_hz", frequency_hz, 10, 1000, unit="Hz")
    fold = _fold_of(chain)
    if fold is None:
        limit = "ideal, or one with amplifiers: ripple aliasing is not judged behind a passive diode"
        raise ParameterError("topology", chain.rectifier.topology, limit)
    steps = hold_steps(chain.detector_as_built, _STEPS_PER_CYCLE * np.array([frequency_hz]))
    cycles_v, window = ripple_aliasing_kernels.settled_cycles(_one_drive(fold), steps), _window(chain)
    if window is not None:
        cycles_v = window.over(cycles_v, np.array([frequency_hz]))
    (cycle_v,) = cycles_v
    of_count, finer = _lightness(chain, chain.brightness_table())
    first = max(int(np.searchsorted(of_count, 50.0)), 1) / cycle_v.mean()
    scale = ripple_aliasing_kernels.scale_for(50.0, cycle_v, of_count, first)
    frames = np.arange(int(WATCHED_S * chain.frame_rate_hz), dtype=np.float64)
    phase = np.asarray((frames * (frequency_hz / chain.frame_rate_hz)) % 1.0)
    counts = np.minimum((scale * cycle_v[(phase * cycle_v.size).astype(int)]).astype(int), of_count.size - 1)
    return Breathing(frequency_hz, scale / finer * cycle_v, phase, of_count[counts])


def _one_drive(rectifier: Rectifier) -> FloatArray:
    """One cycle of the note behind the rectifier, peak 1 V, shape (_STEPS_PER_CYCLE,)."""
    return rectify(np.sin(2 * np.pi * np.arange(_STEPS_PER_CYCLE) / _STEPS_PER_CYCLE), rectifier)
