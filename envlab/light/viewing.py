"""From where a costume is seen: how much of its light arrives, and how much of the visual field it fills.

Afar the whole is a point. Its illuminance at the eye is Allard's law [CIES017], term 17-31-025:
E = I·T^(d/d0)/d², I the luminous intensity towards the eye, d the distance, T the transmissivity of the air
over the length d0, here a kilometre. The same vocabulary has the meteorological optical range v (17-31-018),
over which a beam loses 95 %: T^(v/d0) = 0.05.

Near by it fills a part of the visual field. [WCAG2.2] lets flashes of a small area pass: together at most
0.006 sr, a quarter of a visual field of 10° (on a screen of 1024 × 768 a quarter of 341 × 256 pixels). What
this says of a costume only informs: nobody knows how near the public comes, and how many costumes flash
together. The strict count of the whole credits no area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from envlab.errors import check_positive, check_range
from envlab.light.pixels import Pixels

FLASHING_SR = 0.006
FIELD_DEG = 10.0
FIELD_SHARE = 0.25
_RANGE_TRANSMITS = 0.05


@dataclass(frozen=True)
class Viewing:
    """Where the spectators stand, and what is between them and the costume.

    Parameters
    ----------
    distance_m : float
        From the spectators' eyes to the costume, above 0 to 10 000 m.
    transmissivity_per_km : float
        Share of the light that a kilometre of air lets through, above 0 to 1. The usual 0.74 is a
        meteorological optical range of 10 km, a clear evening (common practice, no source).
    width_m : float
        Breadth of the lit costume, above 0 to 10 m; its height is taken to be no more.
    candela_per_a : float
        Luminous intensity of a white pixel towards the eye, for each ampere in its emitters, above 0 to
        10 000 cd/A. The usual 20 is a small bare pixel, 1.2 cd at three times 20 mA (from memory); behind
        cloth or a diffuser it is less.

    Raises
    ------
    ParameterError
        For a number outside its range, as a distance of 0.

    Examples
    --------
    >>> from envlab.judge import Viewing
    >>> round(Viewing(distance_m=100.0).illuminance_lx(50.0), 5)
    0.00485
    """

    distance_m: float = 30.0
    transmissivity_per_km: float = 0.74
    width_m: float = 0.6
    candela_per_a: float = 20.0

    def __post_init__(self) -> None:
        for name, most, unit in (
            ("distance_m", 1e4, "m"),
            ("width_m", 10.0, "m"),
            ("candela_per_a", 1e4, "cd/A"),
            ("transmissivity_per_km", 1.0, ""),
        ):
            value = getattr(self, name)
            check_positive(name, value, unit=unit)
            check_range(name, value, high=most, unit=unit)

    @property
    def optical_range_m(self) -> float:
        """Meteorological optical range in m; infinite where the air takes nothing."""
        if self.transmissivity_per_km == 1.0:
            return math.inf
        return 1e3 * math.log(_RANGE_TRANSMITS) / math.log(self.transmissivity_per_km)

    def illuminance_lx(self, intensity_cd: float) -> float:
        """Return the illuminance in lx at the spectators' eyes, by Allard's law.

        intensity_cd: of the whole costume towards them, cd, 0 or more.
        """
        check_range("intensity_cd", intensity_cd, 0.0, unit="cd")
        passed = self.transmissivity_per_km ** (self.distance_m / 1e3)
        return float(intensity_cd * passed / self.distance_m**2)

    def solid_angle_sr(self, share: float = 1.0) -> float:
        """Return the solid angle of a share, 0 to 1, of the costume, in sr; at most half of all directions.

        Of a square as high as it is broad, seen straight on: no lit costume of that breadth fills more.
        """
        check_range("share", share, 0.0, 1.0)
        half = self.width_m / 2
        whole = 4 * math.asin(half**2 / (half**2 + self.distance_m**2))
        return share * whole

    def small_from_m(self, share: float = 1.0) -> float:
        """Return the distance in m from which a share, 0 to 1, of the costume fills no more than FLASHING_SR.

        0 for none of it.
        """
        check_range("share", share, 0.0, 1.0)
        if share == 0.0:
            return 0.0
        angle = FLASHING_SR / share
        if angle >= 2 * math.pi:
            return 0.0
        sine = math.sin(angle / 4)
        half = self.width_m / 2
        return half * math.sqrt((1 - sine) / sine)


def intensity_cd(lit_a: float, pixels: Pixels, viewing: Viewing, *, volts: float) -> float:
    """Return the luminous intensity in cd of pixels that take lit_a, A, beyond their idle current.

    In proportion to the current in the emitters: PWM changes how long they shine, not how bright. volts: of
    the supply, V.
    """
    check_range("lit_a", lit_a, 0.0, unit="A")
    return viewing.candela_per_a * lit_a * pixels.channel_a / pixels.channel_supply_a(volts)
