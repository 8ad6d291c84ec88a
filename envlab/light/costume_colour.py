"""The colour of a costume, as a design file states it: one at full, another when dim if wanted."""

from __future__ import annotations

from dataclasses import dataclass

from envlab.errors import ParameterError
from envlab.light.colour import SRGB_PRIMARIES, Primaries, colour_from_hex
from envlab.light.colour_tables import ColourRamp, Rgb
from envlab.light.pixels import Pixels

Pair = tuple[float, float]


@dataclass(frozen=True)
class CostumeColour:
    """The colour of all pixels along the brightness; white, or the firmware's own, where none is chosen.

    Parameters
    ----------
    full : str or None
        Colour of the brightest light, as a screen's, "#ff8000" [IEC61966-2-1]; None: none is chosen.
    dim : str or None
        Colour that the dimmest light has, mixed into full along the brightness; None: full throughout.
    red_xy, green_xy, blue_xy, white_xy : tuple or None
        CIE 1931 x, y of each channel alone at full, and of all three together, by data sheet; None: those of
        sRGB.
    """

    full: str | None = None
    dim: str | None = None
    red_xy: Pair | None = None
    green_xy: Pair | None = None
    blue_xy: Pair | None = None
    white_xy: Pair | None = None

    def __post_init__(self) -> None:
        if self.full is None and self.dim is not None:
            raise ParameterError("full", None, f"the colour at full where dim is stated ({self.dim})")
        _ = self.ramp, self.primaries

    @property
    def ramp(self) -> ColourRamp | None:
        """From the dimmest to the brightest light, in linear light; None where no colour is chosen."""
        if self.full is None:
            return None
        full = _rgb(self.full, "full")
        return ColourRamp(full if self.dim is None else _rgb(self.dim, "dim"), full)

    @property
    def primaries(self) -> Primaries:
        """The channels' own chromaticities, stated or taken."""
        usual = SRGB_PRIMARIES
        return Primaries(
            self.red_xy or usual.red,
            self.green_xy or usual.green,
            self.blue_xy or usual.blue,
            self.white_xy or usual.white,
        )

    @property
    def assumed(self) -> tuple[str, ...]:
        """Whose chromaticity is not stated."""
        return tuple(
            name for name in ("red", "green", "blue", "white") if getattr(self, f"{name}_xy") is None
        )

    def check_on(self, pixels: Pixels) -> None:
        """Raise ParameterError for pixels that cannot show a colour."""
        if self.full is not None and pixels.channels != 3:
            raise ParameterError(
                "channels", pixels.channels, f"3 for the colour {self.full}: red, green, blue"
            )


def _rgb(text: str, name: str) -> Rgb:
    try:
        red, green, blue = (float(part) for part in colour_from_hex(text))
    except ParameterError as problem:
        raise ParameterError(name, text, problem.limit) from None
    if max(red, green, blue) <= 0:
        raise ParameterError(name, text, "a colour with light; black has no hue")
    return red, green, blue
