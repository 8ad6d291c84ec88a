"""Per-channel tables: a colour, or a ramp from one colour to another along the brightness.

Colours are mixed in linear light, so that the hue holds while dimming. The costume's luminance follows the
brightness curve exactly, whatever the colour does on the way: each entry's mixed colour is scaled to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError, check_range
from envlab.light.colour import (
    SRGB_PRIMARIES,
    Primaries,
    check_colour,
    chromaticity_uv,
    colour_luminance,
    preview_on_screen,
)
from envlab.light.curve import relative_luminance
from envlab.light.lightness import lightness_cie1976, luminance_cie1976, round_half_up
from envlab.light.pixels import Pixels, Supply, spare_current_a, supply_duty_limit
from envlab.light.table import LookupTable
from envlab.units import FloatArray, IntArray

Rgb = tuple[float, float, float]


@dataclass(frozen=True)
class ColourRamp:
    """From one colour when dim to another at full, both in linear light; equal ones make a plain colour."""

    low: Rgb
    high: Rgb

    def __post_init__(self) -> None:
        for name in ("low", "high"):
            light = check_colour(getattr(self, name), name)
            if light.max() <= 0.0:
                raise ParameterError(name, getattr(self, name), "a colour with light; black has no hue")

    def mix(self, share: ArrayLike) -> FloatArray:
        """Return the mixed linear light (..., 3) at a share (...) of the way, 0 low to 1 high."""
        part = np.asarray(share, dtype=np.float64)[..., None]
        low, high = np.array(self.low, dtype=np.float64), np.array(self.high, dtype=np.float64)
        mixed: FloatArray = (1.0 - part) * low + part * high
        return mixed


def plain_colour(light: Rgb) -> ColourRamp:
    """Return the ramp of one colour (linear light) only."""
    return ColourRamp(light, light)


@dataclass(frozen=True, eq=False)
class ColourTables:
    """Duty codes (entries, 3) for red, green and blue, on the index of the brightness table they follow."""

    duty_codes: IntArray
    brightness: LookupTable
    ramp: ColourRamp
    primaries: Primaries

    @property
    def duty(self) -> FloatArray:
        """Duty (entries, 3), 0..1."""
        return self.duty_codes / self.brightness.full_code

    def look_up(self, envelope_counts: ArrayLike) -> IntArray:
        """Return the codes (..., 3) of envelope counts (...): between entries as LookupTable.look_up does."""
        position = self.brightness.index_position(envelope_counts)
        if np.isnan(position).any():
            raise ParameterError("envelope_counts", float("nan"), "numbers")
        low = np.minimum(position.astype(np.int64), self.brightness.entries - 2)
        start, end = self.duty_codes[low], self.duty_codes[low + 1]
        return round_half_up(start + (end - start) * (position - low)[..., None] + 1e-9)

    def hue_error_uv(self, from_lightness: float = 10.0) -> float:
        """Return the largest distance in u′v′ of a table entry from its ramp colour, from_lightness L* on."""
        wanted = _entry_luminance(self.brightness)
        lit = lightness_cie1976(wanted) >= from_lightness
        if not lit.any():
            return 0.0
        shown = chromaticity_uv(self.duty_codes[lit].astype(np.float64), self.primaries)
        meant = chromaticity_uv(self.ramp.mix(lightness_cie1976(wanted[lit]) / 100.0), self.primaries)
        return float(np.max(np.hypot(*np.moveaxis(shown - meant, -1, 0))))


def channel_sum_limit(pixels: Pixels, supply: Supply) -> float:
    """Return how much duty the channels of one pixel may have together (0..3) with all pixels alike."""
    if pixels.channels != 3:
        raise ParameterError("channels", pixels.channels, "3 for colour tables: red, green, blue")
    supply_duty_limit(pixels, supply)
    spare_a = spare_current_a(pixels, supply)
    return min(3.0, spare_a / (pixels.count * pixels.channel_supply_a(supply.volts)))


def build_colour_tables(
    ramp: ColourRamp,
    brightness: LookupTable,
    *,
    channel_sum: float = 3.0,
    primaries: Primaries = SRGB_PRIMARIES,
) -> ColourTables:
    """Return the three tables of a ramp along a brightness table's index, depth and curve.

    channel_sum (0..3): what the three duties of a pixel may add up to; channel_sum_limit gives the supply's.
    The brightest entry uses it, or brings one channel to full; everything else is scaled along. The share of
    the ramp at an entry is its L*/100. Raises ParameterError when channel_sum is too small for the depth.
    """
    codes = ramp_codes(
        ramp, _entry_luminance(brightness), brightness.bits, channel_sum=channel_sum, primaries=primaries
    )
    codes.setflags(write=False)
    return ColourTables(codes, brightness, ramp, primaries)


def ramp_codes(
    ramp: ColourRamp,
    luminance: FloatArray,
    bits: int,
    *,
    channel_sum: float = 3.0,
    primaries: Primaries = SRGB_PRIMARIES,
) -> IntArray:
    """Return duty codes (n, 3) of so many bits that show a ramp at luminances (n,), 0..1 of the brightest.

    channel_sum as build_colour_tables. Raises ParameterError when it is too small for the depth.
    """
    check_range("channel_sum", channel_sum, 0.0, 3.0)
    light = _ramp_light(ramp, luminance, primaries)
    everything = np.concatenate([_brightest(ramp, primaries), light])
    return round_half_up(light * _codes_per_light(everything, bits, channel_sum))


def preview_ramp(ramp: ColourRamp, steps: int = 16, primaries: Primaries = SRGB_PRIMARIES) -> list[str]:
    """Return screen colours ("#rrggbb") of a ramp, even in L* from dark to full."""
    light = _ramp_light(ramp, luminance_cie1976(np.linspace(0.0, 100.0, steps)), primaries)
    return [preview_on_screen(row, primaries) for row in light / _brightest(ramp, primaries).max()]


def _entry_luminance(brightness: LookupTable) -> FloatArray:
    rest = brightness.base_light
    return rest + (1.0 - rest) * relative_luminance(brightness.entry_counts, brightness.count_map)


def _ramp_light(ramp: ColourRamp, luminance: FloatArray, primaries: Primaries) -> FloatArray:
    """Linear light (n, 3), in units of the full luminance, of the ramp at luminances (n,)."""
    mixed = ramp.mix(lightness_cie1976(luminance) / 100.0)
    light: FloatArray = luminance[:, None] * mixed / colour_luminance(mixed, primaries)[:, None]
    return light


def _brightest(ramp: ColourRamp, primaries: Primaries) -> FloatArray:
    """The ramp's light (n, 3) all the way: a colour in its middle may ask more of a channel than its end."""
    return _ramp_light(ramp, luminance_cie1976(np.linspace(0.0, 100.0, 1001)), primaries)


def _codes_per_light(light: FloatArray, bits: int, channel_sum: float) -> float:
    """Codes per unit of light so that no channel passes full and no rounded sum passes channel_sum."""
    highest, fullest = float(light.max()), float(light.sum(axis=1).max())
    full_code = (1 << bits) - 1
    scale = full_code / highest
    budget = int(channel_sum * full_code + 1e-9)
    # Rounding may add half a code in each of three channels: once here, once between two entries.
    spare = budget if budget == 3 * full_code else budget - 3
    if spare < 1:
        limit = f"at least {4 / full_code:.3g} at {bits} bit"
        raise ParameterError("channel_sum", channel_sum, limit)
    return min(scale, spare / fullest)
