"""How warm a pixel gets: all its power becomes heat, over a thermal resistance that the builder states.

Counting the light as heat too is meant: under cloth it becomes heat there. Burn threshold of skin that rests
on a surface for eight hours or more, any material: 43 °C ([ISO13732-1], from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from envlab.errors import check_positive, check_range
from envlab.light.pixels import Pixels

LASTING_CONTACT_C = 43.0


@dataclass(frozen=True)
class SurfaceHeat:
    """One pixel's heat in W, its surface's rise above the air in K, and the surface in °C."""

    heat_w: float
    rise_k: float
    surface_c: float

    @property
    def words(self) -> str:
        """The temperature held against lasting contact with skin, in words."""
        text = f"Each pixel gives {self.heat_w:.2g} W; its surface stands at {self.surface_c:.0f} °C"
        if self.surface_c < LASTING_CONTACT_C:
            return f"{text}, under the {LASTING_CONTACT_C:.0f} °C that skin bears for hours."
        return (
            f"{text}: too hot to lie on skin for hours ({LASTING_CONTACT_C:.0f} °C). Keep skin and cloth"
            " off it, spread the heat, or lower the duty limit."
        )


def pixel_heat_w(duty: float, pixels: Pixels, *, volts: float = 5.0) -> float:
    """Return the mean heat in W of one pixel, all its channels at a mean duty (0..1).

    Parameters
    ----------
    duty : float
        Mean duty, 0 to 1.
    pixels : Pixels
        The pixels.
    volts : float
        Of the supply, V.

    Returns
    -------
    float
    """
    check_range("duty", duty, 0.0, 1.0)
    return volts * (pixels.idle_a + duty * pixels.channels * pixels.channel_supply_a(volts))


def surface_heat(heat_w: float, kelvin_per_watt: float, air_c: float = 20.0) -> SurfaceHeat:
    """Return the steady surface temperature for a heat in W over a thermal resistance surface to air.

    Parameters
    ----------
    heat_w : float
        What must leave the surface, W.
    kelvin_per_watt : float
        K/W, above 0. The thermal resistance of a pixel in still air under a layer of cloth is far higher than
        its data sheet's; measure it, and take the air under the cloth, not the winter night.
    air_c : float
        Of the air under the cloth, °C.

    Returns
    -------
    SurfaceHeat
    """
    check_range("heat_w", heat_w, 0.0, 1000.0, unit="W")
    check_positive("kelvin_per_watt", kelvin_per_watt, unit="K/W")
    check_range("air_c", air_c, -50.0, 80.0, unit="°C")
    rise_k = heat_w * kelvin_per_watt
    return SurfaceHeat(heat_w, rise_k, air_c + rise_k)
