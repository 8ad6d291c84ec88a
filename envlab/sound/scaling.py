"""How a clip is brought to its level: one offset, one factor for all samples, none of them held.

A constant offset is no sound: it is the recorder's, and no microphone would pass it. It is taken out of the
level and of what is played; else it would count as loudness, and the clip would begin with a thump.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from envlab.errors import EnvlabWarning, check_choice, check_range
from envlab.sound.feed import Pieces, telling
from envlab.sound.internal_rate import STRAIGHT, Bend, Bends
from envlab.sound.level import WEIGHTINGS, extent_of, mean_square
from envlab.units import FloatArray, from_db, level_db_spl

# A sine of 191 dB SPL swings down to vacuum at sea level; nothing in air is louder and still a sound.
LEVEL_MIN_DB_SPL = -40.0
LEVEL_MAX_DB_SPL = 191.0
# An offset that would have shifted the stated level by more than this is worth a word.
_OFFSET_WARNING_DB = 0.5


def check_level(level_db_spl: float, weighting: str) -> None:
    """Raise ParameterError for a level that no clip can have, or a weighting that is not known."""
    check_range("level_db_spl", level_db_spl, LEVEL_MIN_DB_SPL, LEVEL_MAX_DB_SPL, unit="dB SPL")
    check_choice("weighting", weighting, WEIGHTINGS)


@dataclass(frozen=True)
class Scale:
    """From a clip's numbers to pascal: over the largest magnitude, less the offset, times gain.

    peak: largest magnitude, in numbers of the clip. gain: Pa. silent: nothing sounds. offset: mean of the
    clip, as a share of peak. said: what was done to the clip, for its notes.
    """

    peak: float
    gain: float
    silent: bool = False
    offset: float = 0.0
    said: tuple[str, ...] = ()

    @property
    def most_pa(self) -> float:
        """What no sample's magnitude exceeds, Pa."""
        return 0.0 if self.silent else (1.0 + abs(self.offset)) * self.gain

    def pascal(self, piece: FloatArray) -> FloatArray:
        """Return the pressure of a piece, same shape, Pa."""
        if self.silent:
            return np.zeros(piece.shape)
        return (piece / self.peak - self.offset) * self.gain


@dataclass(frozen=True)
class Loudness:
    """How loud a clip's numbers are, whatever level it is brought to.

    samples: how many. peak: their largest magnitude. offset: their mean over peak. power: mean square of what
    is left of them over peak, weighted. flat: no sample differs from the others. weighting: "Z", "A" or "C".
    bends: as sound.internal_rate has it.
    """

    samples: int
    peak: float
    offset: float
    power: float
    flat: bool
    weighting: str
    bends: Bends = STRAIGHT


def loudness_of(
    weighting: str,
    read: Callable[[], Pieces],
    sample_rate_hz: float,
    *,
    stated_samples: int = 0,
    progress: Callable[[float], None] | None = None,
) -> Loudness:
    """Return how loud a clip is, which is read through twice.

    weighting: "Z" (none), "A" or "C". read: hands out the clip's pieces from its first sample, each time it
    is called. progress: called with the share that is done, of a clip of about stated_samples.
    """
    tell = progress or _nobody
    extent = extent_of(telling(read(), stated_samples, lambda share: tell(share / 2)))
    if not extent.low < extent.high:
        return Loudness(extent.samples, 1.0, 0.0, 0.0, flat=True, weighting=weighting)
    # Squares of very large or very small numbers leave the range of a float; those of a peak of 1 do not.
    peak = max(abs(extent.low), abs(extent.high))
    offset = extent.mean / peak

    bend = Bend(sample_rate_hz)

    def moving() -> Iterator[FloatArray]:
        for piece in telling(read(), extent.samples, lambda share: tell((1 + share) / 2)):
            moved = piece / peak - offset
            bend.take(moved)
            yield moved

    power = mean_square(moving(), extent.samples, sample_rate_hz, weighting)
    return Loudness(extent.samples, peak, offset, power, flat=False, weighting=weighting, bends=bend.found())


def scale_to(level: float, clip: Loudness, name: str) -> Scale:
    """Return what brings a clip to an equivalent level in dB SPL, in its weighting.

    Warns (EnvlabWarning) of a clip in which nothing sounds, and of a large constant offset.
    """
    if clip.flat:
        return _silent(name, "no sample differs from the others")
    if clip.power == 0:
        return _silent(name, "nothing is left after weighting")
    said = _offset_said(clip.offset, clip.power, name) if clip.weighting == "Z" else ()
    gain = from_db(level - level_db_spl(math.sqrt(clip.power)))
    return Scale(clip.peak, gain, offset=clip.offset, said=said)


def _nobody(share: float) -> None:
    del share


def _offset_said(mean: float, power: float, name: str) -> tuple[str, ...]:
    share = mean**2 / (power + mean**2)
    if share <= 1.0 - from_db(-_OFFSET_WARNING_DB) ** 2:
        return ()
    told = f"a constant offset, {100 * share:.0f} % of its power, taken out"
    _warn(f"{name}: {told}; it is the recorder's, no sound")
    return (told,)


def _silent(name: str, why: str) -> Scale:
    _warn(f"{name}: silent clip ({why}); it stays silent at any level")
    return Scale(1.0, 0.0, silent=True, said=("silent",))


def _warn(text: str) -> None:
    warnings.warn(text, EnvlabWarning, stacklevel=5)
