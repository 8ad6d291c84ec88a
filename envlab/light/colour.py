"""The colour of a pixel in linear light: chromaticity, luminance, and what a screen must show for it.

Linear light (linear_rgb: red, green, blue), each 0..1, is each channel's duty over its full. Without measured
values the channels are taken to have the primaries and the white of sRGB ([IEC61966-2-1]: those of [BT709-6],
D65). Chromaticity u′, v′ is that of CIE 1976 UCS [CIE11664-5].
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError, check_range
from envlab.light.lightness import round_half_up, srgb_decode, srgb_encode
from envlab.units import FloatArray

Chromaticity = tuple[float, float]
HEX_COLOUR = "#([0-9a-fA-F]{2})([0-9a-fA-F]{2})([0-9a-fA-F]{2})"
_HEX = re.compile(HEX_COLOUR)
# Components that miss 0 or 1 by less than this do so by arithmetic.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Primaries:
    """CIE 1931 x, y of each channel alone at full, and of all three together at full."""

    red: Chromaticity = (0.64, 0.33)
    green: Chromaticity = (0.30, 0.60)
    blue: Chromaticity = (0.15, 0.06)
    white: Chromaticity = (0.3127, 0.3290)

    def __post_init__(self) -> None:
        for name in ("red", "green", "blue", "white"):
            x, y = getattr(self, name)
            check_range(f"{name} x", x, 0.0, 0.9)
            check_range(f"{name} y", y, 1e-3, 0.9)
        share = np.linalg.solve(_xyz_columns(self), _xyz_of(self.white))
        if not np.isfinite(share).all() or share.min() <= 0.0:
            raise ParameterError("white", self.white, "inside the triangle of red, green and blue")

    @property
    def to_xyz(self) -> FloatArray:
        """Matrix (3, 3) from linear light (red, green, blue) to X, Y, Z; full white has Y = 1."""
        columns = _xyz_columns(self)
        return np.asarray(columns * np.linalg.solve(columns, _xyz_of(self.white)), dtype=np.float64)


def _xyz_of(chromaticity: Chromaticity) -> FloatArray:
    x, y = chromaticity
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def _xyz_columns(primaries: Primaries) -> FloatArray:
    return np.column_stack([_xyz_of(p) for p in (primaries.red, primaries.green, primaries.blue)])


SRGB_PRIMARIES = Primaries()


def colour_luminance(linear_rgb: ArrayLike, primaries: Primaries = SRGB_PRIMARIES) -> FloatArray:
    """Return the luminance Y (...) of linear light (..., 3), full white being 1."""
    return np.asarray(np.asarray(linear_rgb, dtype=np.float64) @ primaries.to_xyz[1], dtype=np.float64)


def chromaticity_uv(linear_rgb: ArrayLike, primaries: Primaries = SRGB_PRIMARIES) -> FloatArray:
    """Return CIE 1976 u′, v′ (..., 2) of linear light (..., 3). No light at all gets the white's u′, v′.

    u′ = 4X/(X + 15Y + 3Z), v′ = 9Y/(X + 15Y + 3Z) [CIE11664-5].
    """
    light = np.asarray(linear_rgb, dtype=np.float64)
    lit = np.where(light.max(axis=-1, keepdims=True) > 0.0, light, 1.0)
    x, y, z = np.moveaxis(lit @ primaries.to_xyz.T, -1, 0)
    uv: FloatArray = np.stack([4.0 * x, 9.0 * y], axis=-1) / (x + 15.0 * y + 3.0 * z)[..., None]
    return uv


def check_colour(linear_rgb: ArrayLike, name: str = "colour") -> FloatArray:
    """Return linear light (..., 3) as an array, or raise ParameterError with the nearest possible value."""
    light = np.asarray(linear_rgb, dtype=np.float64)
    if light.ndim < 1 or light.shape[-1] != 3 or not np.isfinite(light).all():
        raise ParameterError(name, light.shape, "three numbers: red, green, blue")
    if light.size and not (light.min() >= -_ROUNDING and light.max() <= 1.0 + _ROUNDING):
        rows = light.reshape(-1, 3)
        worst = rows[np.argmax(np.max(np.abs(rows - 0.5), axis=1))]
        limit = f"from 0 to 1 in each channel; the nearest is {_text(np.clip(worst, 0.0, 1.0))}"
        raise ParameterError(name, _text(worst), limit)
    return np.clip(light, 0.0, 1.0)


def colour_from_hex(text: str) -> FloatArray:
    """Return the linear light (3,) of a screen's colour such as "#ff8000" (sRGB, [IEC61966-2-1]).

    Parameters
    ----------
    text : str
        A screen's colour such as "#ff8000".

    Returns
    -------
    ndarray of float

    References
    ----------
    [IEC61966-2-1] IEC 61966-2-1:1999, Colour measurement and management – Default RGB colour space – sRGB.
    """
    match = _HEX.fullmatch(text.strip())
    if match is None:
        raise ParameterError("colour", text, 'six hexadecimal digits after a #, such as "#ff8000"')
    return srgb_decode(np.array([int(pair, 16) / 255.0 for pair in match.groups()]))


def colour_from_xy(x: float, y: float, primaries: Primaries = SRGB_PRIMARIES) -> FloatArray:
    """Return the brightest linear light (3,) of CIE 1931 chromaticity x, y; its largest channel is 1.

    Raises ParameterError outside the pixel's gamut; it names the nearest chromaticity on the way to white.
    """
    check_range("x", x, 0.0, 0.9)
    check_range("y", y, 1e-3, 0.9)
    light = _rgb_of((x, y), primaries)
    if light.min() < -_ROUNDING:
        inside, outside = 0.0, 1.0
        white = np.array(primaries.white)
        for _ in range(60):
            middle = 0.5 * (inside + outside)
            there = white + middle * (np.array([x, y]) - white)
            if _rgb_of((float(there[0]), float(there[1])), primaries).min() >= 0.0:
                inside = middle
            else:
                outside = middle
        near = white + inside * (np.array([x, y]) - white)
        limit = f"inside the pixel's gamut; the nearest towards white is ({near[0]:.4f}, {near[1]:.4f})"
        raise ParameterError("colour", (x, y), limit)
    return np.asarray(np.clip(light, 0.0, None) / light.max(), dtype=np.float64)


def preview_hex(linear_rgb: ArrayLike) -> str:
    """Return the screen's colour, such as "#ff8000", of linear light (3,) in the screen's own primaries."""
    codes = round_half_up(255.0 * srgb_encode(check_colour(linear_rgb)))
    return "#" + "".join(f"{int(code):02x}" for code in codes)


def preview_on_screen(linear_rgb: ArrayLike, primaries: Primaries) -> str:
    """Return the screen's colour of linear light (3,) on pixels of other primaries, clipped to its gamut."""
    on_screen = np.linalg.solve(SRGB_PRIMARIES.to_xyz, primaries.to_xyz @ check_colour(linear_rgb))
    return preview_hex(np.clip(on_screen, 0.0, 1.0))


def _rgb_of(chromaticity: Chromaticity, primaries: Primaries) -> FloatArray:
    light = np.linalg.solve(primaries.to_xyz, _xyz_of(chromaticity))
    return np.asarray(light / np.abs(light).max(), dtype=np.float64)


def _text(light: FloatArray) -> tuple[float, ...]:
    return tuple(float(f"{value:.4g}") for value in light)
