"""How bright a light looks: CIE 1976 lightness, and the sRGB coding of a screen.

Sources: [CIE11664-4] (CIE 1976 L*, with the exact constants 216/24389 and 24389/27),
[IEC61966-2-1] (sRGB transfer functions).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import Limit, ParameterError, note_limit
from envlab.units import FloatArray, IntArray

LUMINANCE_KNEE = 216.0 / 24389.0
LIGHTNESS_SLOPE = 24389.0 / 27.0
LIGHTNESS_KNEE = 8.0
SRGB_KNEE_LINEAR = 0.0031308
SRGB_KNEE_CODED = 0.04045
# Ratios such as Y/Y_max may pass 1 by the rounding of one division.
_ROUNDING = 1e-9


def check_unit_interval(name: str, values: FloatArray, high: float = 1.0) -> None:
    """Raise ParameterError unless all values lie in 0..high (a rounding of 1e-9·high is let pass)."""
    if values.size == 0:
        return
    lowest, highest = float(np.min(values)), float(np.max(values))
    if not (lowest >= -_ROUNDING * high and highest <= high * (1.0 + _ROUNDING)):
        worst = lowest if not lowest >= -_ROUNDING * high else highest
        raise ParameterError(name, worst, f"from 0 to {high:g}")


def lightness_cie1976(relative_luminance: ArrayLike) -> FloatArray:
    """Return the CIE 1976 lightness L* (0..100) of a relative luminance Y/Y_max (0..1), any shape.

    L* = 24389/27·Y up to Y = 216/24389, else 116·∛Y − 16 [CIE11664-4].

    Parameters
    ----------
    relative_luminance : array_like
        Y/Y_max, 0 to 1, any shape.

    Returns
    -------
    ndarray of float

    Raises
    ------
    ParameterError
        Outside 0..1 and for NaN.

    References
    ----------
    [CIE11664-4] ISO/CIE 11664-4:2019, Colorimetry – Part 4: CIE 1976 L*a*b* colour space.
    """
    luminance = np.asarray(relative_luminance, dtype=np.float64)
    check_unit_interval("relative_luminance", luminance)
    return np.where(
        luminance <= LUMINANCE_KNEE, LIGHTNESS_SLOPE * luminance, 116.0 * np.cbrt(luminance) - 16.0
    )


def luminance_cie1976(lightness: ArrayLike) -> FloatArray:
    """Return the relative luminance (0..1) of a CIE 1976 lightness L* (0..100), any shape.

    The inverse of lightness_cie1976.

    Parameters
    ----------
    lightness : array_like
        L*, 0 to 100, any shape.

    Returns
    -------
    ndarray of float

    Raises
    ------
    ParameterError
        Outside 0..100 and for NaN.
    """
    lstar = np.asarray(lightness, dtype=np.float64)
    check_unit_interval("lightness", lstar, 100.0)
    root = (lstar + 16.0) / 116.0
    return np.where(lstar <= LIGHTNESS_KNEE, lstar / LIGHTNESS_SLOPE, root * root * root)


def lightness_table(entries: int = 256, bits: int = 12) -> IntArray:
    """Return the duty codes of a table that is even in lightness: entry i has L* = 100·i/(entries − 1).

    Code = (2^bits − 1)·Y(L*), rounded half up [CIE11664-4].

    Parameters
    ----------
    entries : int
        2 to 65 536.
    bits : int
        Depth of a code, 1 to 16.

    Returns
    -------
    ndarray of int
        Shape (entries,), codes from 0 to 2^bits − 1.

    Raises
    ------
    ParameterError
        For other numbers.

    References
    ----------
    [CIE11664-4] ISO/CIE 11664-4:2019, Colorimetry – Part 4: CIE 1976 L*a*b* colour space.

    Examples
    --------
    >>> from envlab import lightness_table
    >>> lightness_table(entries=5, bits=8)
    array([  0,  11,  47, 123, 255])
    """
    check_whole("entries", entries, 2, 65_536)
    check_whole("bits", bits, 1, 16)
    luminance = luminance_cie1976(100.0 * np.arange(entries) / (entries - 1))
    return round_half_up(luminance * ((1 << bits) - 1))


def srgb_encode(linear: ArrayLike) -> FloatArray:
    """Return the sRGB-coded value (0..1) of linear light (0..1), any shape [IEC61966-2-1]."""
    light = np.asarray(linear, dtype=np.float64)
    check_unit_interval("linear", light)
    bent = 1.055 * np.maximum(light, 0.0) ** (1.0 / 2.4) - 0.055
    return np.where(light <= SRGB_KNEE_LINEAR, 12.92 * light, bent)


def srgb_decode(coded: ArrayLike) -> FloatArray:
    """Return the linear light (0..1) of an sRGB-coded value (0..1), any shape [IEC61966-2-1]."""
    code = np.asarray(coded, dtype=np.float64)
    check_unit_interval("coded", code)
    bent = ((np.maximum(code, 0.0) + 0.055) / 1.055) ** 2.4
    return np.where(code <= SRGB_KNEE_CODED, code / 12.92, bent)


def round_half_up(values: FloatArray) -> IntArray:
    """Return the integers nearest to values, halves upwards, as ``(int)(x + 0.5)`` does in firmware."""
    return np.floor(values + 0.5).astype(np.int64)


def check_whole(name: str, value: int, low: int, high: int) -> None:
    """Raise ParameterError unless value is a whole number in low..high."""
    note_limit(Limit(name, low, high))
    if isinstance(value, bool) or not isinstance(value, (int, np.integer)) or not low <= value <= high:
        raise ParameterError(name, value, f"a whole number from {low} to {high}")
