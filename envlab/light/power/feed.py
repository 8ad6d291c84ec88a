"""How the supply reaches the pixels: where the chain is fed, over which wire, and what a pixel needs.

A chain is fed at one end, at both, or in its middle (power injection). What is not stated is taken:
neighbours 4 cm apart, copper of 0.2 mm² for rail and return (0.01724 Ω·mm²/m, [IEC60028]), half a metre of it
from the converter to each place where it is fed, and a pixel that needs half a volt more than its emitters
(common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

from envlab.errors import check_choice, check_range
from envlab.light.pixels import Pixels
from envlab.light.power.wiring import Wiring

FED_FROM = ("start", "both_ends", "middle")
WIRE_MM2, OHM_MM2_PER_M = 0.2, 0.01724
ASSUMED_PITCH_M, ASSUMED_LEAD_M, ABOVE_EMITTER_V = 0.04, 0.5, 0.5


@dataclass(frozen=True)
class Feed:
    """Where the chain of pixels is fed, and over which wire.

    Parameters
    ----------
    fed_from : str
        Of each data line's chain: its "start", "both_ends", or its "middle".
    pitch_m : float or None
        From one pixel to the next, 1 mm to 10 m; None: 0.04 m.
    wire_mm2 : float or None
        Copper of one conductor, rail or return, between pixels and up to them, 0.01 to 100 mm²; None: 0.2
        mm².
    lead_m : float or None
        Wire from the converter to each place where the chain is fed, one way, 0 to 100 m; None: 0.5 m.
    pixel_needs_v : float or None
        Least voltage at which a pixel still shows its colours, V, by data sheet; None: forward_v of [pixels]
        and half a volt.
    """

    fed_from: str = "start"
    pitch_m: float | None = None
    wire_mm2: float | None = None
    lead_m: float | None = None
    pixel_needs_v: float | None = None

    def __post_init__(self) -> None:
        check_choice("fed_from", self.fed_from, FED_FROM)
        for name, low, high, unit in (
            ("pitch_m", 1e-3, 10.0, "m"),
            ("wire_mm2", 0.01, 100.0, "mm²"),
            ("lead_m", 0.0, 100.0, "m"),
            ("pixel_needs_v", 0.5, 60.0, "V"),
        ):
            value = getattr(self, name)
            if value is not None:
                check_range(name, value, low, high, unit=unit)

    @property
    def copper_mm2(self) -> float:
        """Cross-section of one conductor in square mm, stated or taken."""
        return WIRE_MM2 if self.wire_mm2 is None else self.wire_mm2

    def feeds(self, count: int) -> tuple[int, ...]:
        """Return the pixels of a chain of so many, counted from 0, at which it is fed."""
        if self.fed_from == "both_ends" and count > 1:
            return (0, count - 1)
        return ((count - 1) // 2,) if self.fed_from == "middle" else (0,)


def wiring_of(feed: Feed, count: int) -> Wiring:
    """Return the wiring of a chain of so many pixels, with what is taken for what is not stated."""
    ohm_per_m = OHM_MM2_PER_M / feed.copper_mm2
    lead_m = ASSUMED_LEAD_M if feed.lead_m is None else feed.lead_m
    return Wiring(
        pitch_m=ASSUMED_PITCH_M if feed.pitch_m is None else feed.pitch_m,
        conductor_ohm_per_m=ohm_per_m,
        feeds=feed.feeds(count),
        feed_ohm=2 * lead_m * ohm_per_m,
    )


def pixel_needs_v(feed: Feed, pixels: Pixels) -> float:
    """Return the least voltage in V at which a pixel still shows its colours, as stated or as taken."""
    return pixels.forward_v + ABOVE_EMITTER_V if feed.pixel_needs_v is None else feed.pixel_needs_v
