"""Light, and what it does: lightness, flashes, current, pack, heat, wiring, flicker."""

from __future__ import annotations

from envlab.light.colour import colour_from_hex
from envlab.light.costume_colour import CostumeColour
from envlab.light.flashes.flash import FlashReport, count_flashes, find_flashes
from envlab.light.flashes.red_flash import count_red_flashes
from envlab.light.lightness import lightness_cie1976, lightness_table, luminance_cie1976
from envlab.light.pixels import current_metrics, supply_current_a
from envlab.light.power.battery import Pack
from envlab.light.power.feed import Feed
from envlab.light.power.heat import pixel_heat_w, surface_heat
from envlab.light.power.pwm import pwm_flicker
from envlab.light.power.wiring import Wiring, wire_drop

__all__ = [
    "CostumeColour",
    "Feed",
    "FlashReport",
    "Pack",
    "Wiring",
    "colour_from_hex",
    "count_flashes",
    "count_red_flashes",
    "current_metrics",
    "find_flashes",
    "lightness_cie1976",
    "lightness_table",
    "luminance_cie1976",
    "pixel_heat_w",
    "pwm_flicker",
    "supply_current_a",
    "surface_heat",
    "wire_drop",
]
