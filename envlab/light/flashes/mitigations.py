"""What to do about too many flashes: settings that are computed, tried, and held against each other.

Each mitigation is tried from mild to strong until the flash count passes, and its price is what it does to
the look: the mean change of L* over the clip. Passing is no medical clearance (see flash.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError, check_positive, check_range
from envlab.light.flashes.flash import FLASHES_ALLOWED_PER_S, count_flashes, flash_luminance
from envlab.light.lightness import lightness_cie1976, luminance_cie1976
from envlab.units import FloatArray

# From a jump within one frame of most rates down to ten seconds from dark to full, 9 % apart.
_SLOPES_LSTAR_PER_S = tuple(float(x) for x in np.geomspace(5000.0, 10.0, 73))
_RESTS = tuple(float(x) for x in np.arange(1, 91) / 100.0)
_HALVINGS = 6


@dataclass(frozen=True, eq=False)
class Mitigation:
    """One mitigation that passes: its mildest setting found, the flashes left, and what it changes.

    mean_change_lstar: mean of |ΔL*| over the clip. luminance (frames,): Y/Y_max with the mitigation.
    """

    name: str
    setting: float
    unit: str
    flashes_per_s: int
    mean_change_lstar: float
    luminance: FloatArray


def limit_slope(luminance: ArrayLike, frame_rate_hz: float, lightness_per_s: float) -> FloatArray:
    """Return relative luminance (frames,) whose L* changes by at most lightness_per_s, up and down alike."""
    check_positive("lightness_per_s", lightness_per_s)
    wanted = lightness_cie1976(luminance)
    step = lightness_per_s / frame_rate_hz
    shown = wanted.tolist()
    for frame in range(1, len(shown)):
        before = shown[frame - 1]
        shown[frame] = min(max(shown[frame], before - step), before + step)
    return luminance_cie1976(np.asarray(shown, dtype=np.float64))


def raise_rest(luminance: ArrayLike, base_light: float) -> FloatArray:
    """Return relative luminance (frames,) with less depth: dark becomes base_light (0..1), full stays."""
    check_range("base_light", base_light, 0.0, 1.0)
    return base_light + (1.0 - base_light) * np.asarray(luminance, dtype=np.float64)


def first_that_passes(
    name: str,
    unit: str,
    settings: Sequence[float],
    light_of: Callable[[float], FloatArray],
    original: FloatArray,
    frame_rate_hz: float,
    *,
    allowed: float = FLASHES_ALLOWED_PER_S,
) -> Mitigation | None:
    """Return the first setting, of a series from mild to strong, whose light passes; None if none does.

    light_of gives the relative luminance (frames,) of a setting: the way to try whatever lies outside this
    module, such as a longer release of the detector; original is the light as it was. allowed: flashes in any
    second.
    """
    for setting in settings:
        luminance = light_of(setting)
        flashes = count_flashes(luminance, frame_rate_hz)
        if flashes <= allowed:
            return Mitigation(name, setting, unit, flashes, _mean_change(luminance, original), luminance)
    return None


def slope_mitigation(
    duty: ArrayLike,
    frame_rate_hz: float,
    *,
    full_duty: float = 1.0,
    allowed: float = FLASHES_ALLOWED_PER_S,
) -> Mitigation | None:
    """Return the fastest slope limit of L* that passes (within 0.15 %), for duties (frames,) to full_duty.

    allowed: flashes in any second. Infinite, and without change, when the light passes as it is.
    """
    original = flash_luminance(duty, full_duty)
    return _finest(
        "slope limit",
        "L* per second",
        (math.inf, *_SLOPES_LSTAR_PER_S),
        lambda slope: limit_slope(original, frame_rate_hz, slope),
        original,
        frame_rate_hz,
        allowed,
    )


def depth_mitigation(
    duty: ArrayLike,
    frame_rate_hz: float,
    *,
    full_duty: float = 1.0,
    allowed: float = FLASHES_ALLOWED_PER_S,
) -> Mitigation | None:
    """Return the least base light that passes (within 0.0002), for duties (frames,) to full_duty.

    allowed: flashes in any second. 0, and without change, when the light passes as it is.
    """
    original = flash_luminance(duty, full_duty)
    return _finest(
        "base light",
        "of full light",
        (0.0, *_RESTS),
        lambda rest: raise_rest(original, rest),
        original,
        frame_rate_hz,
        allowed,
    )


def least_change(mitigations: Sequence[Mitigation | None]) -> Mitigation:
    """Return the mitigation that changes the look least, the first of equals.

    Raises ParameterError for none.
    """
    passing = [mitigation for mitigation in mitigations if mitigation is not None]
    if not passing:
        raise ParameterError("mitigations", len(mitigations), "at least one that passes")
    return min(passing, key=lambda mitigation: mitigation.mean_change_lstar)


def _finest(
    name: str,
    unit: str,
    settings: tuple[float, ...],
    light_of: Callable[[float], FloatArray],
    original: FloatArray,
    frame_rate_hz: float,
    allowed: float,
) -> Mitigation | None:
    """The light as it is (first setting) if it passes; else the first that does, made milder by halving."""

    def first(some: tuple[float, ...], light: Callable[[float], FloatArray]) -> Mitigation | None:
        return first_that_passes(name, unit, some, light, original, frame_rate_hz, allowed=allowed)

    as_it_is = first(settings[:1], lambda _: original)
    if as_it_is is not None:
        return as_it_is
    best = first(settings[1:], light_of)
    if best is None:
        return None
    mild = settings[settings.index(best.setting) - 1]
    if math.isinf(mild):
        return best
    for _ in range(_HALVINGS):
        between = 0.5 * (mild + best.setting)
        tried = first((between,), light_of)
        if tried is None:
            mild = between
        else:
            best = tried
    return best


def _mean_change(luminance: FloatArray, original: FloatArray) -> float:
    if original.size == 0:
        return 0.0
    return float(np.mean(np.abs(lightness_cie1976(luminance) - lightness_cie1976(original))))
