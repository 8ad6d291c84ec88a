"""Floor and ceiling from recordings: the quiet rehearsal just glows, the loud street just reaches full."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError, check_range
from envlab.light.curve import (
    BrightnessMap,
    CountMap,
    Curve,
    LevelScale,
    luminance_position,
    relative_luminance,
)
from envlab.light.lightness import lightness_cie1976, luminance_cie1976
from envlab.units import FloatArray

# Amplitude 1 at 0 dB: levels become numbers that behave as counts do.
_PLAIN = LevelScale(1.0, 0.0)


def fit_count_map(
    quiet_counts: ArrayLike,
    loud_counts: ArrayLike,
    *,
    curve: Curve = "lightness",
    exponent: float = 2.2,
    light_span_db: float = 20.0,
    knee_position: float = 0.5,
    knee_output: float = 0.5,
    glow_lightness: float = 10.0,
    quiet_share: float = 0.5,
    full_share: float = 0.99,
) -> CountMap:
    """Return the map that makes a quiet clip glow and a loud one reach full.

    From envelope counts above quiescent.

    quiet_counts, loud_counts: envelopes (n,), (m,). The envelope that a share quiet_share of the quiet clip
    stays under gets L* glow_lightness (1..90); the one that full_share of the loud clip stays under gets
    full light. curve, exponent, light_span_db, knee_position, knee_output: as in CountMap. Raises
    ParameterError when the quiet clip reads nothing there or the loud one is not louder.
    """
    check_range("glow_lightness", glow_lightness, 1.0, 90.0)
    quiet = _level_of(quiet_counts, quiet_share, "quiet")
    loud = _level_of(loud_counts, full_share, "loud")
    if loud <= quiet:
        raise ParameterError("loud_counts", loud, f"above the {quiet:g} counts of the quiet clip")
    shape = CountMap(0.5, 1.0, curve, exponent, light_span_db, knee_position, knee_output)
    glow = float(luminance_position(luminance_cie1976(glow_lightness), shape))
    if curve == "straight":
        return replace(shape, floor_counts=_straight_floor(quiet, loud, glow, shape), ceiling_counts=loud)
    floor = math.exp((math.log(quiet) - glow * math.log(loud)) / (1.0 - glow))
    return replace(shape, floor_counts=floor, ceiling_counts=loud)


def fit_brightness_map(
    quiet_db_spl: ArrayLike,
    loud_db_spl: ArrayLike,
    *,
    curve: Curve = "lightness",
    exponent: float = 2.2,
    light_span_db: float = 20.0,
    knee_position: float = 0.5,
    knee_output: float = 0.5,
    glow_lightness: float = 10.0,
    quiet_share: float = 0.5,
    full_share: float = 0.99,
) -> BrightnessMap:
    """Return the same fit in dB SPL, from levels (n,), (m,) along two clips.

    curve, exponent, light_span_db, knee_position, knee_output, glow_lightness: as in fit_count_map.
    """
    fitted = fit_count_map(
        10.0 ** (np.asarray(quiet_db_spl, dtype=np.float64) / 20.0),
        10.0 ** (np.asarray(loud_db_spl, dtype=np.float64) / 20.0),
        curve=curve,
        exponent=exponent,
        light_span_db=light_span_db,
        knee_position=knee_position,
        knee_output=knee_output,
        glow_lightness=glow_lightness,
        quiet_share=quiet_share,
        full_share=full_share,
    )
    return fitted.in_db_spl(_PLAIN)


def lit_share(envelope_counts: ArrayLike, count_map: CountMap, *, above_lightness: float = 5.0) -> float:
    """Return the share (0..1) of an envelope's values (n,) whose light is above L* above_lightness."""
    lightness = lightness_cie1976(relative_luminance(envelope_counts, count_map))
    if lightness.size == 0:
        raise ParameterError("envelope_counts", lightness.shape, "at least one value")
    return float(np.mean(lightness > above_lightness))


def _level_of(counts: ArrayLike, share: float, which: str) -> float:
    check_range(f"share of the {which} clip", share, 0.0, 1.0)
    values: FloatArray = np.asarray(counts, dtype=np.float64).ravel()
    if values.size == 0 or not np.isfinite(values).all():
        raise ParameterError(f"{which}_counts", values.size, "at least one value, all of them numbers")
    level = float(np.quantile(values, share))
    if level <= 0.0:
        limit = f"above 0 where {share:.0%} of the clip stays under it: raise the gain or that share"
        raise ParameterError(f"{which}_counts", level, limit)
    return level


def _straight_floor(quiet: float, loud: float, glow: float, shape: CountMap) -> float:
    floor = (quiet - glow * loud) / (1.0 - glow)
    if floor <= 0.0:
        most = float(lightness_cie1976(relative_luminance(0.5 + 0.5 * quiet / loud, shape)))
        limit = f"a lightness below {most:.3g} with a straight curve and these two clips"
        raise ParameterError("glow_lightness", float(f"{glow:.6g}"), limit)
    return floor
