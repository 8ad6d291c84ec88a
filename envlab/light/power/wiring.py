"""Voltage along the chain of pixels: the drop over its own copper, with feeds at chosen pixels.

Kirchhoff's current law at every pixel. Pixels are constant current sinks, so the drop is not under-stated
when linear drivers run out of voltage; supply and return are alike, so each metre counts twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError, check_positive, check_range
from envlab.units import FloatArray, IntArray

# An ideal feed, in ohm: small against any wire, large enough for the equations.
_LEAST_FEED_OHM = 1e-6


@dataclass(frozen=True)
class Wiring:
    """How the pixels are wired.

    Parameters
    ----------
    pitch_m : float
        Distance of neighbouring pixels.
    conductor_ohm_per_m : float
        Resistance of one conductor, supply or return.
    feeds : tuple of int
        Pixels (0 is the first) at which the supply is connected.
    feed_ohm : float
        Resistance of each feed, out and back together.
    """

    pitch_m: float
    conductor_ohm_per_m: float
    feeds: tuple[int, ...] = (0,)
    feed_ohm: float = 0.0

    def __post_init__(self) -> None:
        check_positive("pitch_m", self.pitch_m, unit="m")
        check_range("conductor_ohm_per_m", self.conductor_ohm_per_m, 0.0, 1000.0, unit="ohm/m")
        check_range("feed_ohm", self.feed_ohm, 0.0, 100.0, unit="ohm")
        if not self.feeds or min(self.feeds) < 0 or len(set(self.feeds)) != len(self.feeds):
            raise ParameterError("feeds", self.feeds, "one or more different pixels, counted from 0")


@dataclass(frozen=True, eq=False)
class WireDrop:
    """Voltages (count,) between the conductors at each pixel, and the current (feeds,) of each feed."""

    pixel_v: FloatArray
    feed_a: FloatArray

    @property
    def lowest_pixel(self) -> int:
        """The pixel with the least voltage, counted from 0."""
        return int(np.argmin(self.pixel_v))

    @property
    def lowest_v(self) -> float:
        """The least voltage in V."""
        return float(self.pixel_v.min())

    def pixels_below(self, least_v: float) -> IntArray:
        """Return the pixels that get less than so many volts: they turn dim, and blue goes first."""
        return np.flatnonzero(self.pixel_v < least_v)


def wire_drop(pixel_current_a: ArrayLike, wiring: Wiring, supply_v: float) -> WireDrop:
    """Return the voltages along a chain whose pixels draw the given currents (count,), in A, each ≥ 0.

    Parameters
    ----------
    pixel_current_a : array_like
        Current of each pixel, A, shape (count,), 0 or more.
    wiring : Wiring
        How the pixels are wired.
    supply_v : float
        At the feeds, V.

    Returns
    -------
    WireDrop

    Raises
    ------
    ParameterError
        When the chain asks more than its copper can carry at all.
    """
    current_a = np.asarray(pixel_current_a, dtype=np.float64)
    if current_a.ndim != 1 or current_a.size == 0 or not np.isfinite(current_a).all() or current_a.min() < 0:
        raise ParameterError("pixel_current_a", current_a.shape, "a row of currents from 0 A up")
    check_positive("supply_v", supply_v, unit="V")
    if max(wiring.feeds) >= current_a.size:
        raise ParameterError("feeds", wiring.feeds, f"pixels from 0 to {current_a.size - 1}")
    feeds = np.asarray(wiring.feeds)
    feed_siemens = 1.0 / max(wiring.feed_ohm, _LEAST_FEED_OHM)
    link_ohm = max(2.0 * wiring.conductor_ohm_per_m * wiring.pitch_m, _LEAST_FEED_OHM)
    links = np.eye(current_a.size) - np.eye(current_a.size, k=1)
    siemens = links[:-1].T @ links[:-1] / link_ohm
    siemens[feeds, feeds] += feed_siemens
    # Solved for the drop below the supply, so that small drops keep their digits.
    drop_v = np.asarray(np.linalg.solve(siemens, current_a), dtype=np.float64)
    if drop_v.max() >= supply_v:
        limit = f"less: pixel {int(np.argmax(drop_v))} would get no voltage from {supply_v:g} V"
        raise ParameterError("pixel_current_a", float(current_a.sum()), limit)
    return WireDrop(supply_v - drop_v, drop_v[feeds] * feed_siemens)
