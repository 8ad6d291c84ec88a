"""The pixels and the converter that feeds them: current, the duty limit that keeps all of them alive.

Current is taken as proportional to duty: a pixel's channel is either fully on or off (PWM), so its mean
current is duty times its full current (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from envlab.digital.fixed_frame import FrameWords, full_code
from envlab.errors import ParameterError, check_choice, check_range
from envlab.light.lightness import check_unit_interval, check_whole
from envlab.units import FloatArray

Drive = Literal["linear", "switching"]
FED_BY = ("cells", "power_bank")
# What its USB socket gives without being asked for a higher voltage (from memory).
POWER_BANK_V = 5.0


@dataclass(frozen=True)
class Pixels:
    """A chain of addressable pixels.

    With "linear" drive the channel's current comes straight from the supply; with "switching" drive each
    pixel converts it, so the supply sees channel_a · forward_v / (volts · drive_efficiency).

    Parameters
    ----------
    count : int
        1 to 100 000.
    channels : int
        Of each pixel, 1 to 8.
    channel_a : float
        Current of one channel at full, above 0 to 20 A.
    idle_a : float
        Current of one dark pixel, 0 to 1 A.
    drive : str
        "linear" or "switching".
    forward_v : float
        Of a channel's emitter, 0.5 to 60 V.
    drive_efficiency : float
        Of a switching drive, 0.1 to 1.
    data_lines : int
        Wires that the chain is cut up for, each with its share of the pixels, all written at once.
    """

    count: int = 24
    channels: int = 3
    channel_a: float = 0.150
    idle_a: float = 0.001
    drive: Drive = "linear"
    forward_v: float = 3.0
    drive_efficiency: float = 0.85
    data_lines: int = 1

    def __post_init__(self) -> None:
        check_whole("count", self.count, 1, 100_000)
        check_whole("channels", self.channels, 1, 8)
        check_range("channel_a", self.channel_a, 1e-6, 20.0, unit="A")
        check_range("idle_a", self.idle_a, 0.0, 1.0, unit="A")
        check_choice("drive", self.drive, ("linear", "switching"))
        check_range("forward_v", self.forward_v, 0.5, 60.0, unit="V")
        check_range("drive_efficiency", self.drive_efficiency, 0.1, 1.0)
        check_whole("data_lines", self.data_lines, 1, self.count)

    @property
    def longest_line(self) -> int:
        """Pixels on the longest of the data lines."""
        return -(-self.count // self.data_lines)

    def channel_supply_a(self, volts: float = 5.0) -> float:
        """Return the current in A that one full channel takes from a supply of so many volts."""
        if self.drive == "linear":
            return self.channel_a
        return self.channel_a * self.forward_v / (volts * self.drive_efficiency)


@dataclass(frozen=True)
class Supply:
    """What feeds the pixels: a converter behind lithium-ion cells, or a power bank, which has both inside.

    Parameters
    ----------
    limit_a : float
        Most current at its output, 1 mA to 10 kA.
    volts : float
        At its output, 1 to 60 V; of a power bank 5 V.
    efficiency : float
        From cells to output, 0.1 to 1.
    fed_by : str
        "cells" and a converter, or "power_bank".
    """

    limit_a: float = 3.0
    volts: float = 5.0
    efficiency: float = 0.9
    fed_by: str = "cells"

    def __post_init__(self) -> None:
        check_range("limit_a", self.limit_a, 1e-3, 1e4, unit="A")
        check_range("volts", self.volts, 1.0, 60.0, unit="V")
        check_range("efficiency", self.efficiency, 0.1, 1.0)
        check_choice("fed_by", self.fed_by, FED_BY)
        if self.is_power_bank and self.volts != POWER_BANK_V:
            raise ParameterError("volts", self.volts, f"{POWER_BANK_V:g} V, as of every power bank")

    @property
    def is_power_bank(self) -> bool:
        """Whether cells and converter come as one, with a socket."""
        return self.fed_by == "power_bank"

    @property
    def name(self) -> str:
        """As a sentence calls what gives limit_a: "converter" or "power bank"."""
        return "power bank" if self.is_power_bank else "converter"


def idle_current_a(pixels: Pixels) -> float:
    """Return the current in A of all pixels dark."""
    return pixels.count * pixels.idle_a


def full_current_a(pixels: Pixels, *, volts: float = 5.0) -> float:
    """Return the current in A of all pixels, all channels at full, idle current included."""
    return idle_current_a(pixels) + pixels.count * pixels.channels * pixels.channel_supply_a(volts)


def supply_current_a(duty: ArrayLike, pixels: Pixels, *, volts: float = 5.0) -> FloatArray:
    """Return the current in A when every channel of every pixel has the same duty (0..1), any shape.

    Parameters
    ----------
    duty : array_like
        0 to 1, any shape, of every channel of every pixel.
    pixels : Pixels
        The pixels that draw it.
    volts : float
        Of the supply, V.

    Returns
    -------
    ndarray of float
    """
    level = np.asarray(duty, dtype=np.float64)
    check_unit_interval("duty", level)
    idle = idle_current_a(pixels)
    return idle + level * (full_current_a(pixels, volts=volts) - idle)


def pattern_current_a(duty: ArrayLike, pixels: Pixels, *, volts: float = 5.0) -> FloatArray:
    """Return the current in A (...) of duties (..., count, channels), each 0..1: any picture on the chain."""
    pattern = np.asarray(duty, dtype=np.float64)
    if pattern.shape[-2:] != (pixels.count, pixels.channels):
        raise ParameterError("duty", pattern.shape, f"of shape (..., {pixels.count}, {pixels.channels})")
    check_unit_interval("duty", pattern)
    lit = np.asarray(pattern.sum(axis=(-2, -1)), dtype=np.float64)
    return idle_current_a(pixels) + lit * pixels.channel_supply_a(volts)


@dataclass(frozen=True)
class CurrentFigures:
    """Supply current over a clip in A: mean, the value that 99 % of the frames stay under, and the peak."""

    mean_a: float
    almost_a: float
    peak_a: float


def current_metrics(duty: ArrayLike, pixels: Pixels, *, volts: float = 5.0) -> CurrentFigures:
    """Return the current metrics of a clip's duties (frames,), all pixels alike; at least one frame.

    Parameters
    ----------
    duty : array_like
        Shape (frames,), 0 to 1, at least one.
    pixels : Pixels
        The pixels that draw it.
    volts : float
        Of the supply, V.

    Returns
    -------
    CurrentFigures
    """
    current_a = supply_current_a(duty, pixels, volts=volts)
    if current_a.size == 0:
        raise ParameterError("duty", current_a.shape, "at least one frame")
    return CurrentFigures(
        float(current_a.mean()), float(np.quantile(current_a, 0.99)), float(current_a.max())
    )


def supply_duty_limit(pixels: Pixels, supply: Supply) -> float:
    """Return the duty (0..1) at which all pixels together just reach the converter's limit.

    (limit − idle)/(full − idle), at most 1. Raises ParameterError when the dark pixels alone take it all.
    """
    idle = idle_current_a(pixels)
    if supply.limit_a <= idle:
        nearest = math.ceil(supply.limit_a / pixels.idle_a) - 1
        raise ParameterError(
            "limit_a",
            supply.limit_a,
            f"above the idle current of {idle:g} A of {pixels.count} dark pixels"
            f" (or at most {nearest} pixels)",
        )
    return min(1.0, (supply.limit_a - idle) / (full_current_a(pixels, volts=supply.volts) - idle))


def whole_pixels_at_full(pixels: Pixels, supply: Supply) -> int:
    """Return how many whole pixels the converter carries at full white while the others stay dark."""
    lit_a = pixels.channels * pixels.channel_supply_a(supply.volts)
    spare_a = supply.limit_a - idle_current_a(pixels)
    # 0.45 A fits 3.6 A exactly eight times, and binary division must not lose one of them.
    return max(0, min(pixels.count, math.floor(spare_a / lit_a + 1e-9)))


def frame_words(
    pixels: Pixels, supply: Supply, *, bits: int, dither_bits: int = 0, refresh_hz: float = 100.0
) -> FrameWords:
    """Return what the frame part of the firmware works with; its limit is what is left beside dark pixels.

    bits, dither_bits: depth of a code, and what dithering adds. refresh_hz: how often pixels are written, Hz.
    """
    full = full_code(bits)
    spare_a = supply.limit_a - idle_current_a(pixels)
    # 1e-9: a limit of exactly so many codes must not lose one of them to binary division.
    limit = math.floor(spare_a / pixels.channel_supply_a(supply.volts) * full + 1e-9)
    return FrameWords(
        pixels=pixels.count,
        channels=pixels.channels,
        bits=bits,
        limit=min(limit, pixels.count * pixels.channels * full),
        dither_bits=dither_bits,
        refresh_hz=math.ceil(refresh_hz),
    )


def limit_frame(duty: ArrayLike, pixels: Pixels, supply: Supply) -> FloatArray:
    """Return duties (..., count, channels), scaled down in each frame whose sum would pass the limit.

    The per-frame limiter: one factor for the whole frame, so the picture's proportions stay.
    """
    pattern = np.asarray(duty, dtype=np.float64)
    idle = idle_current_a(pixels)
    supply_duty_limit(pixels, supply)
    lit = pattern_current_a(pattern, pixels, volts=supply.volts) - idle
    factor = np.minimum(1.0, (supply.limit_a - idle) / np.maximum(lit, 1e-300))
    limited: FloatArray = pattern * np.asarray(factor)[..., None, None]
    return limited
