"""From the envelope to the light the wearer asks for: floor, ceiling, and the curve between them.

A position p runs from 0 at the floor to 1 at the ceiling. Evenly in decibels,
p = ln(c/floor)/ln(ceiling/floor); for the curve "straight", evenly in counts. A knee may bend p once.
Then the curve gives the relative luminance:

- "lightness": Y of L* = 100·p (CIE 1976): equal steps of sound in dB look like equal steps of light;
- "power": Y = p^exponent (the plain power law of display practice, common practice, no source);
- "straight": Y = p;
- "decibel": 10·lg Y rises evenly from −light_span_db at the floor to 0: each dB of sound multiplies the
  light by the same factor. It starts with a jump at the floor, for no number of dB reaches zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError, check_choice, check_positive, check_range
from envlab.light.lightness import check_unit_interval, lightness_cie1976, luminance_cie1976
from envlab.units import FloatArray

Curve = Literal["lightness", "power", "straight", "decibel"]
CURVES: tuple[Curve, ...] = ("lightness", "power", "straight", "decibel")
# What a list to choose from calls them: the design file's word, and what grows evenly.
CURVE_WORDS: dict[Curve, str] = {
    "lightness": "lightness, even to the eye",
    "power": "power law",
    "straight": "straight in counts",
    "decibel": "decibel, each dB a factor of light",
}


@dataclass(frozen=True)
class BrightnessMap:
    """What the wearer asks for: dark below the floor, full from the ceiling on, both in dB SPL.

    Parameters
    ----------
    floor_db_spl, ceiling_db_spl : float
        Dark below, full above, 0 to 194 dB SPL, the floor below the ceiling.
    curve : str
        "lightness", "power", "straight" or "decibel".
    exponent : float
        Of the curve "power", 0.1 to 10.
    light_span_db : float
        Of the curve "decibel", 3 to 60 dB.
    knee_position : float
        Share of the way at which the light bends, 0.01 to 0.99.
    knee_output : float
        Share of its way that the light has gone there, 0.01 to 0.99; equal values mean no knee.
    """

    floor_db_spl: float
    ceiling_db_spl: float
    curve: Curve = "lightness"
    exponent: float = 2.2
    light_span_db: float = 20.0
    knee_position: float = 0.5
    knee_output: float = 0.5

    def __post_init__(self) -> None:
        check_range("floor_db_spl", self.floor_db_spl, 0.0, 194.0, unit="dB SPL")
        check_range("ceiling_db_spl", self.ceiling_db_spl, 0.0, 194.0, unit="dB SPL")
        if self.ceiling_db_spl <= self.floor_db_spl:
            raise ParameterError(
                "ceiling_db_spl", self.ceiling_db_spl, f"above the floor of {self.floor_db_spl:g} dB SPL"
            )
        _check_shape(self)

    def in_counts(self, scale: LevelScale) -> CountMap:
        """Return the same map for one board, whose level scale turns dB SPL into counts."""
        return CountMap(
            scale.counts(self.floor_db_spl),
            scale.counts(self.ceiling_db_spl),
            self.curve,
            self.exponent,
            self.light_span_db,
            self.knee_position,
            self.knee_output,
        )


@dataclass(frozen=True)
class CountMap:
    """A BrightnessMap for one board: floor and ceiling in counts of envelope above quiescent.

    knee_position, knee_output: where the knee bends the position, and to what, 0..1 each.
    """

    floor_counts: float
    ceiling_counts: float
    curve: Curve = "lightness"
    exponent: float = 2.2
    light_span_db: float = 20.0
    knee_position: float = 0.5
    knee_output: float = 0.5

    def __post_init__(self) -> None:
        check_positive("floor_counts", self.floor_counts, unit="counts")
        check_range("ceiling_counts", self.ceiling_counts, unit="counts")
        if self.ceiling_counts <= self.floor_counts:
            raise ParameterError(
                "ceiling_counts", self.ceiling_counts, f"above the floor of {self.floor_counts:g} counts"
            )
        _check_shape(self)

    def shifted(self, offset_db: float) -> CountMap:
        """Return the map as it acts when the wearer steps the sensitivity up by so many dB (−40..40)."""
        check_range("offset_db", offset_db, -40.0, 40.0, unit="dB")
        ratio = 10.0 ** (-offset_db / 20.0)
        return replace(
            self, floor_counts=self.floor_counts * ratio, ceiling_counts=self.ceiling_counts * ratio
        )

    def words(self, scale: LevelScale) -> str:
        """Return floor and ceiling in dB SPL and in counts, as one line for people."""
        level = self.in_db_spl(scale)
        return (
            f"dark below {level.floor_db_spl:.1f} dB SPL ({self.floor_counts:.1f} counts), full from"
            f" {level.ceiling_db_spl:.1f} dB SPL ({self.ceiling_counts:.1f} counts)"
        )

    def in_db_spl(self, scale: LevelScale) -> BrightnessMap:
        """Return what this board's map means in dB SPL."""
        return BrightnessMap(
            scale.level_db_spl(self.floor_counts),
            scale.level_db_spl(self.ceiling_counts),
            self.curve,
            self.exponent,
            self.light_span_db,
            self.knee_position,
            self.knee_output,
        )


@dataclass(frozen=True)
class LevelScale:
    """How one board counts: a steady sound of reference_db_spl gives reference_counts above quiescent."""

    reference_counts: float
    reference_db_spl: float = 94.0

    def __post_init__(self) -> None:
        check_positive("reference_counts", self.reference_counts, unit="counts")
        check_range("reference_db_spl", self.reference_db_spl, 0.0, 194.0, unit="dB SPL")

    def counts(self, level_db_spl: float) -> float:
        """Return the counts above quiescent of a level in dB SPL."""
        return float(self.reference_counts * 10.0 ** ((level_db_spl - self.reference_db_spl) / 20.0))

    def level_db_spl(self, counts: float) -> float:
        """Return the level in dB SPL that gives these counts above quiescent (−inf for 0)."""
        if counts <= 0.0:
            return -math.inf
        return self.reference_db_spl + 20.0 * math.log10(counts / self.reference_counts)


def _check_shape(asked: BrightnessMap | CountMap) -> None:
    check_choice("curve", asked.curve, CURVES)
    check_range("exponent", asked.exponent, 0.1, 10.0)
    check_range("light_span_db", asked.light_span_db, 3.0, 60.0, unit="dB")
    check_range("knee_position", asked.knee_position, 0.01, 0.99)
    check_range("knee_output", asked.knee_output, 0.01, 0.99)


def relative_luminance(envelope_counts: ArrayLike, count_map: CountMap) -> FloatArray:
    """Return the relative luminance Y (0..1) of envelope counts above quiescent, any shape.

    Exactly 0 below the floor, exactly 1 from the ceiling on. Never decreases. Raises ParameterError for NaN.
    """
    counts = np.asarray(envelope_counts, dtype=np.float64)
    if counts.size and math.isnan(np.min(counts)):
        raise ParameterError("envelope_counts", math.nan, "numbers")
    luminance = curve_luminance(curve_position(counts, count_map), count_map)
    return np.where(counts < count_map.floor_counts, 0.0, luminance)


def curve_position(envelope_counts: ArrayLike, count_map: CountMap) -> FloatArray:
    """Return the position p (0 at the floor, 1 at the ceiling, clipped), before the knee, any shape."""
    floor, ceiling = count_map.floor_counts, count_map.ceiling_counts
    inside = np.clip(np.asarray(envelope_counts, dtype=np.float64), floor, ceiling)
    if count_map.curve == "straight":
        return np.clip((inside - floor) / (ceiling - floor), 0.0, 1.0)
    position = np.clip(np.log(inside / floor) / math.log(ceiling / floor), 0.0, 1.0)
    # The quotient of two logarithms may fall one rounding short of 1; the ceiling must be full.
    return np.where(inside >= ceiling, 1.0, position)


def curve_luminance(position: FloatArray, count_map: CountMap | BrightnessMap) -> FloatArray:
    """Return Y (0..1) at a position p (0..1) through knee and curve, any shape."""
    bent = _knee(position, count_map.knee_position, count_map.knee_output)
    if count_map.curve == "lightness":
        return luminance_cie1976(100.0 * bent)
    if count_map.curve == "power":
        return np.power(bent, count_map.exponent)
    if count_map.curve == "straight":
        return bent
    return np.power(10.0, -count_map.light_span_db * (1.0 - bent) / 10.0)


def luminance_position(luminance: ArrayLike, count_map: CountMap | BrightnessMap) -> FloatArray:
    """Return the position p (0..1) at which the curve gives Y (0..1): the inverse of curve_luminance.

    The curve "decibel" starts at 10^(−light_span_db/10); a smaller Y belongs to the floor, p = 0.
    """
    light = np.asarray(luminance, dtype=np.float64)
    check_unit_interval("luminance", light)
    if count_map.curve == "lightness":
        bent = lightness_cie1976(light) / 100.0
    elif count_map.curve == "power":
        bent = np.power(light, 1.0 / count_map.exponent)
    elif count_map.curve == "straight":
        bent = light
    else:
        lowest = 10.0 ** (-count_map.light_span_db / 10.0)
        bent = 1.0 + 10.0 * np.log10(np.maximum(light, lowest)) / count_map.light_span_db
    return _knee(np.clip(bent, 0.0, 1.0), count_map.knee_output, count_map.knee_position)


def counts_of_luminance(luminance: ArrayLike, count_map: CountMap) -> FloatArray:
    """Return the envelope counts at which the light reaches Y (0..1): the inverse of relative_luminance.

    Y = 0 gives the floor (everything below is dark too), Y = 1 the ceiling.
    """
    position = luminance_position(luminance, count_map)
    floor, ceiling = count_map.floor_counts, count_map.ceiling_counts
    if count_map.curve == "straight":
        return floor + position * (ceiling - floor)
    return floor * np.exp(position * math.log(ceiling / floor))


def _knee(position: FloatArray, at: float, to: float) -> FloatArray:
    """Two straight pieces through (0, 0), (at, to), (1, 1)."""
    if at == to:
        return position
    upper = to + (position - at) * ((1.0 - to) / (1.0 - at))
    return np.where(position <= at, position * (to / at), np.minimum(upper, 1.0))
