"""How evenly a layout's light grows: its steps while the envelope rises from dark to full.

Every duty word is tried, from 0 up, so that what is found is the doing of layout and pixel depth alone; what
few counts of a converter add is table_step_lstar. Of chains so long that AT_MOST pixels would be asked for,
every n-th word. Seen near by and from afar (play.py): a bar that grows by whole pixels is even near by, and
begins from afar with a jump.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.study.layouts.play import Brightest, PixelPlay, played
from envlab.units import FloatArray

AT_MOST = 1 << 21


@dataclass(frozen=True)
class Steps:
    """Steps of L*, over the layout's brightest state.

    near_lstar, far_lstar: the largest. first_near_lstar, first_far_lstar: the least light above what is there
    at rest, its dark end.
    """

    near_lstar: float
    far_lstar: float
    first_near_lstar: float
    first_far_lstar: float


def steps_of(play: PixelPlay, brightest: Brightest) -> Steps:
    """Return the steps of a layout; of one that moves, while it stands still (PixelPlay.still)."""
    words = play.full_duty + 1
    apart = max(1, -(-words * play.pixels // AT_MOST))
    duties = np.append(np.arange(0, play.full_duty, apart), play.full_duty)
    seen = played(play.still, duties, brightest)
    near, far = seen.near_lstar(brightest), seen.far_lstar(brightest)
    return Steps(_largest(near), _largest(far), _first(near), _first(far))


def _largest(lightness: FloatArray) -> float:
    return float(np.abs(np.diff(lightness)).max(initial=0.0))


def _first(lightness: FloatArray) -> float:
    above = lightness[lightness > lightness[0]] - lightness[0]
    return float(above.min()) if above.size else 0.0
