"""How a clip is brought to its level: one factor for all its samples, found without holding them all."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from envlab.errors import EnvlabWarning, check_choice, check_range
from envlab.sound.feed import Pieces
from envlab.sound.level import WEIGHTINGS, mean_square
from envlab.units import FloatArray, from_db, level_db_spl

# A sine of 191 dB SPL swings down to vacuum at sea level; nothing in air is louder and still a sound.
LEVEL_MIN_DB_SPL = -40.0
LEVEL_MAX_DB_SPL = 191.0
# A constant offset that shifts the stated level by more than this is worth a word.
_OFFSET_WARNING_DB = 0.5


def check_level(level_db_spl: float, weighting: str) -> None:
    """Raise ParameterError for a level that no clip can have, or a weighting that is not known."""
    check_range("level_db_spl", level_db_spl, LEVEL_MIN_DB_SPL, LEVEL_MAX_DB_SPL, unit="dB SPL")
    check_choice("weighting", weighting, WEIGHTINGS)


@dataclass(frozen=True)
class Scale:
    """From a clip's numbers to pascal: over the largest magnitude, times gain.

    peak: largest magnitude, in numbers of the clip. gain: Pa. silent: nothing sounds.
    """

    peak: float
    gain: float
    silent: bool = False

    def pascal(self, piece: FloatArray) -> FloatArray:
        """Return the pressure of a piece, same shape, Pa."""
        if self.silent:
            return np.zeros(piece.shape)
        return piece / self.peak * self.gain


def scale_to(
    level: float, weighting: str, read: Callable[[], Pieces], sample_rate_hz: float, name: str
) -> tuple[Scale, int]:
    """Return what brings a clip to an equivalent level in dB SPL, and how many samples the clip has.

    weighting: "Z" (none) or "A". read: hands out the clip's pieces from its first sample, each time it is
    called. Warns (EnvlabWarning) of a clip in which nothing sounds, and of a constant offset that takes part
    in the level.
    """
    samples, low, high = 0, math.inf, -math.inf
    for piece in read():
        samples += piece.size
        low, high = min(low, float(piece.min())), max(high, float(piece.max()))
    if not low < high:
        return _silent(name, "no sample differs from the others"), samples
    # Squares of very large or very small numbers leave the range of a float; those of a peak of 1 do not.
    peak, offset = max(abs(low), abs(high)), 0.0

    def unit_peak() -> Iterator[FloatArray]:
        nonlocal offset
        for piece in read():
            unit = piece / peak
            offset += float(np.sum(unit)) / samples
            yield unit

    power = mean_square(unit_peak(), samples, sample_rate_hz, weighting)
    if power == 0:
        return _silent(name, "nothing is left after weighting"), samples
    if weighting == "Z":
        _warn_of_offset(offset, power, name)
    return Scale(peak, from_db(level - level_db_spl(math.sqrt(power)))), samples


def _warn_of_offset(mean: float, power: float, name: str) -> None:
    share = mean**2 / power
    if share > 1.0 - from_db(-_OFFSET_WARNING_DB) ** 2:
        _warn(
            f"{name}: a constant offset is {100 * share:.0f} % of the clip's power and counts in its level; "
            "remove it, or state an A-weighted level"
        )


def _silent(name: str, why: str) -> Scale:
    _warn(f"{name}: silent clip ({why}); it stays silent at any level")
    return Scale(1.0, 0.0, silent=True)


def _warn(text: str) -> None:
    warnings.warn(text, EnvlabWarning, stacklevel=5)
