"""Light under the limiter per frame: what lightness and flashes refer to when the table goes up to full.

A picture of fixed colours, all of its pixels at one duty d, asks more of the supply the brighter its colours
are. The limiter holds it at the duty c = limit/(what the picture takes at duty 1), at most 1: it shows
min(d, c), and its brightest state is c. So luminance, L* and flashes of that picture refer to c. All channels
at full white have the smallest c, the duty limit of the supply; a picture with few pixels lit has 1. Changes
above c vanish, but a change of 10 % of c is a smaller one: which picture flashes most depends on the music,
and is found by trying.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import check_range
from envlab.light.flashes.flash import FLASHES_ALLOWED_PER_S, count_flashes
from envlab.light.lightness import check_unit_interval, check_whole
from envlab.light.pixels import Pixels, Supply, supply_duty_limit
from envlab.units import FloatArray


@dataclass(frozen=True)
class LimitedFlashes:
    """Most flashes in any second over pictures from the brightest to one that is never held.

    worst_per_s: of the worst picture; worst_share: the duty at which the limiter holds it. shares: how many
    pictures were tried, evenly spaced in decibels between least_share and 1; between them nothing was judged.
    """

    worst_per_s: int
    worst_share: float
    least_share: float
    shares: int

    @property
    def passes(self) -> bool:
        """Whether none of the pictures tried has more than three flashes in any second."""
        return self.worst_per_s <= FLASHES_ALLOWED_PER_S


def limited_luminance(duty: ArrayLike, share: float) -> FloatArray:
    """Return Y/Y_max (any shape) of a picture that the limiter holds at duty share, above 0 to 1.

    duty: 0..1, of the table up to full.

    >>> limited_luminance([0.1, 0.25, 0.9], 0.25).tolist()
    [0.4, 1.0, 1.0]
    """
    asked = np.asarray(duty, dtype=np.float64)
    check_unit_interval("duty", asked)
    check_range("share", share, 1e-6, 1.0)
    return np.asarray(np.minimum(asked, share) / share)


def flashes_under_limiter(
    duty: ArrayLike, frame_rate_hz: float, least_share: float, *, shares: int = 49
) -> LimitedFlashes:
    """Return the flashes of duties (frames,), 0..1, of a table up to full, over pictures of all brightnesses.

    least_share: the duty at which all channels at full white are held (supply_duty_limit), above 0 to 1.
    shares: 2 or more pictures. frame_rate_hz: 1..10 000. Raises ParameterError. Rule of count_flashes
    [WCAG2.2].
    """
    check_range("least_share", least_share, 1e-6, 1.0)
    check_whole("shares", shares, 2, 10_000)
    tried = np.append(np.geomspace(least_share, 1.0, shares)[:-1], 1.0)
    counts = [count_flashes(limited_luminance(duty, float(share)), frame_rate_hz) for share in tried]
    worst = int(np.argmax(counts))
    return LimitedFlashes(counts[worst], float(tried[worst]), float(least_share), shares)


def explain_frame_limit(pixels: Pixels, supply: Supply) -> str:
    """Return in words what the metrics of a table up to full refer to where the limiter acts per frame."""
    duty_limit = supply_duty_limit(pixels, supply)
    if duty_limit >= 1.0:
        return "The supply carries all pixels at full: the frame limiter never acts."
    return (
        "The table goes up to full and must never be shown without the frame limiter. L*, flashes and current"
        " of this design are those of all pixels at full white, which the limiter holds at a duty of"
        f" {duty_limit:.3f}: that is their full light. A picture that takes less is held later, up to duty 1,"
        " and its L* refers to its own brightest state."
    )
