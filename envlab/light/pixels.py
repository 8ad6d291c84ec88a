"""The pixels and the converter that feeds them: current, the duty limit that keeps all of them alive.

Current is taken as proportional to duty: a pixel's channel is either fully on or off (PWM), so its mean
current is duty times its full current (common practice, no source).

What may be planned with is the converter's limit less a margin; of that the controller and the dark pixels
take their share first, and the rest is light's. The margin scales the table, as the limit itself does. It
could be judged alone and leave the table as it is; then a table made to end just at the limit would break it
by design, and every design had to be drawn smaller by hand to keep it.
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
from envlab.light.power.losses import Losses, losses_of_one, losses_of_two
from envlab.units import FloatArray

Drive = Literal["linear", "switching"]
FED_BY = ("cells", "power_bank")
# What its USB socket gives without being asked for a higher voltage (from memory).
POWER_BANK_V = 5.0
# What a design file that does not say them is read with. Controller and analog part: a small controller at 5
# V with a few amplifiers (common practice, no source). The margin: what converters, pixels and wires differ
# from their data sheets, and other music from the clips (a rule of this project).
USUAL_MARGIN, ASSUMED_CONTROLLER_A = 0.10, 0.020


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
    pwm_hz : float or None
        At which a channel is switched, by data sheet, 10 Hz to 1 MHz; None: not known, and 400 Hz are taken
        for it.
    pwm_phases : int
        Groups of pixels that begin one after the other, evenly over the period; 1: all together, as pixels
        that are written together are taken to do.
    """

    count: int = 24
    channels: int = 3
    channel_a: float = 0.150
    idle_a: float = 0.001
    drive: Drive = "linear"
    forward_v: float = 3.0
    drive_efficiency: float = 0.85
    data_lines: int = 1
    pwm_hz: float | None = None
    pwm_phases: int = 1

    def __post_init__(self) -> None:
        check_whole("count", self.count, 1, 100_000)
        check_whole("channels", self.channels, 1, 8)
        check_range("channel_a", self.channel_a, 1e-6, 20.0, unit="A")
        check_range("idle_a", self.idle_a, 0.0, 1.0, unit="A")
        check_choice("drive", self.drive, ("linear", "switching"))
        check_range("forward_v", self.forward_v, 0.5, 60.0, unit="V")
        check_range("drive_efficiency", self.drive_efficiency, 0.1, 1.0)
        check_whole("data_lines", self.data_lines, 1, self.count)
        if self.pwm_hz is not None:
            check_range("pwm_hz", self.pwm_hz, 10.0, 1e6, unit="Hz")
        check_whole("pwm_phases", self.pwm_phases, 1, 10_000)

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
    margin : float
        Share of limit_a that stays free, 0 to 0.5. 0 where built in Python; a design file that does not state
        it has 0.1.
    controller_a : float or None
        What controller and analog part take at the output, 0 to 10 A. None: not known, and 0.02 A are taken
        for it; so reads a design file that does not state it.
    light_load_a : float or None
        A smaller current of which the data sheet states the efficiency, above 0 A; None: only one is known.
    light_load_efficiency : float or None
        The efficiency there, 0.1 to 1.
    full_load_a : float or None
        At which efficiency itself is stated, above light_load_a; None: at limit_a.
    bulk_farad : float or None
        Of the capacitor where the pixels are fed, F; None: the one of the parts list.
    droop_v : float or None
        By how much the pixels' pulses may let the rail fall, V; None: a twentieth of volts.
    least_input_v : float or None
        Least voltage at the converter's input at which it still holds its output, V; None: volts and half a
        volt for one that only steps down, the empty cells' for others.
    brown_out_v : float or None
        Of the rail, V, at which the controller resets, by its data sheet, with what its own regulator needs
        on top; None: 0.86 of volts, as controllers for 5 V that reset at 4.3 V.
    """

    limit_a: float = 3.0
    volts: float = 5.0
    efficiency: float = 0.9
    fed_by: str = "cells"
    margin: float = 0.0
    controller_a: float | None = 0.0
    light_load_a: float | None = None
    light_load_efficiency: float | None = None
    full_load_a: float | None = None
    bulk_farad: float | None = None
    droop_v: float | None = None
    least_input_v: float | None = None
    brown_out_v: float | None = None

    def __post_init__(self) -> None:
        check_range("limit_a", self.limit_a, 1e-3, 1e4, unit="A")
        check_range("volts", self.volts, 1.0, 60.0, unit="V")
        check_range("efficiency", self.efficiency, 0.1, 1.0)
        check_range("margin", self.margin, 0.0, 0.5)
        self._check_what_may_be_unknown()
        _ = self.losses
        check_choice("fed_by", self.fed_by, FED_BY)
        if self.is_power_bank and self.volts != POWER_BANK_V:
            raise ParameterError("volts", self.volts, f"{POWER_BANK_V:g} V, as of every power bank")

    def _check_what_may_be_unknown(self) -> None:
        for name, low, high, unit in (
            ("controller_a", 0.0, 10.0, "A"),
            ("light_load_a", 1e-3, 1e4, "A"),
            ("light_load_efficiency", 0.1, 1.0, ""),
            ("full_load_a", 1e-3, 1e4, "A"),
            ("bulk_farad", 1e-9, 100.0, "F"),
            ("droop_v", 1e-3, self.volts, "V"),
            ("least_input_v", 0.1, 100.0, "V"),
            ("brown_out_v", 0.5, self.volts, "V"),
        ):
            value = getattr(self, name)
            if value is not None:
                check_range(name, value, low, high, unit=unit)

    @property
    def is_power_bank(self) -> bool:
        """Whether cells and converter come as one, with a socket."""
        return self.fed_by == "power_bank"

    @property
    def name(self) -> str:
        """As a sentence calls what gives limit_a: "converter" or "power bank"."""
        return "power bank" if self.is_power_bank else "converter"

    @property
    def losses(self) -> Losses:
        """What is lost between cells and output: of two points of the data sheet, or of one efficiency."""
        if self.light_load_a is None and self.light_load_efficiency is None:
            return losses_of_one(self.efficiency)
        if self.light_load_a is None or self.light_load_efficiency is None:
            name = "light_load_a" if self.light_load_a is None else "light_load_efficiency"
            raise ParameterError(name, None, "stated, or neither of the two that make a point")
        full_a = self.limit_a if self.full_load_a is None else self.full_load_a
        if self.light_load_a >= full_a:
            raise ParameterError("light_load_a", self.light_load_a, f"below the {full_a:g} A of full load")
        return losses_of_two(
            self.light_load_a * self.volts, self.light_load_efficiency, full_a * self.volts, self.efficiency
        )

    @property
    def usable_a(self) -> float:
        """What the lights are planned with, A: the limit less the margin."""
        return self.limit_a * (1 - self.margin)

    @property
    def limit_words(self) -> str:
        """The limit as a sentence says it, with the margin."""
        if self.margin == 0:
            return f"{self.limit_a:g} A"
        return f"{self.limit_a:g} A less {100 * self.margin:g} %"

    @property
    def counted_controller_a(self) -> float:
        """What controller and analog part take, A: as stated, or what is taken for it."""
        return ASSUMED_CONTROLLER_A if self.controller_a is None else self.controller_a


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


def drawn_current_a(duty: ArrayLike, pixels: Pixels, supply: Supply) -> FloatArray:
    """Return the current in A out of the converter at a duty (0..1, any shape) of all pixels: they and the
    controller.

    Parameters
    ----------
    duty : array_like
        0 to 1, any shape, of every channel of every pixel.
    pixels : Pixels
        The pixels that draw it.
    supply : Supply
        What feeds them, and the controller.

    Returns
    -------
    ndarray of float
    """
    return supply_current_a(duty, pixels, volts=supply.volts) + supply.counted_controller_a


def spare_current_a(pixels: Pixels, supply: Supply) -> float:
    """Return the current in A that is left for light: the limit less margin, controller and dark pixels.

    Below 0 where these alone take more.
    """
    return supply.usable_a - supply.counted_controller_a - idle_current_a(pixels)


def supply_duty_limit(pixels: Pixels, supply: Supply) -> float:
    """Return the duty (0..1) at which all pixels together just take what may be planned with.

    (limit less margin, controller and idle current)/(full − idle), at most 1. Raises ParameterError when
    controller and dark pixels alone take it all.
    """
    spare_a = spare_current_a(pixels, supply)
    if spare_a <= 0:
        raise ParameterError("limit_a", supply.limit_a, _enough_when_dark(pixels, supply))
    lit_a = full_current_a(pixels, volts=supply.volts) - idle_current_a(pixels)
    return min(1.0, spare_a / lit_a)


def _enough_when_dark(pixels: Pixels, supply: Supply) -> str:
    left_a = supply.usable_a - supply.counted_controller_a
    dark = f"above the idle current of {idle_current_a(pixels):g} A of {pixels.count} dark pixels"
    if supply.counted_controller_a > 0:
        dark += f" and the {supply.counted_controller_a:g} A of the controller"
    if supply.margin > 0:
        dark += f" behind a margin of {100 * supply.margin:g} %"
    nearest = math.ceil(left_a / pixels.idle_a) - 1 if pixels.idle_a > 0 else 0
    return f"{dark} (or at most {nearest} pixels)" if nearest > 0 else dark


def whole_pixels_at_full(pixels: Pixels, supply: Supply) -> int:
    """Return how many whole pixels may be at full white while the others stay dark."""
    lit_a = pixels.channels * pixels.channel_supply_a(supply.volts)
    # 0.45 A fits 3.6 A exactly eight times, and binary division must not lose one of them.
    return max(0, min(pixels.count, math.floor(spare_current_a(pixels, supply) / lit_a + 1e-9)))


def frame_words(
    pixels: Pixels, supply: Supply, *, bits: int, dither_bits: int = 0, refresh_hz: float = 100.0
) -> FrameWords:
    """Return what the frame part of the firmware works with; its limit is what is left for light.

    bits, dither_bits: depth of a code, and what dithering adds. refresh_hz: how often pixels are written, Hz.
    """
    full = full_code(bits)
    spare_a = spare_current_a(pixels, supply)
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
    """Return duties (..., count, channels), scaled down in each frame that asks more than is planned with.

    The per-frame limiter: one factor for the whole frame, so the picture's proportions stay.
    """
    pattern = np.asarray(duty, dtype=np.float64)
    supply_duty_limit(pixels, supply)
    lit = pattern_current_a(pattern, pixels, volts=supply.volts) - idle_current_a(pixels)
    factor = np.minimum(1.0, spare_current_a(pixels, supply) / np.maximum(lit, 1e-300))
    limited: FloatArray = pattern * np.asarray(factor)[..., None, None]
    return limited
