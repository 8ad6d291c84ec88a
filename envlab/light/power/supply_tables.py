"""Two tables for one costume: one that the supply carries whatever is lit, one for a limiter per frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

from envlab.light.curve import CountMap
from envlab.light.pixels import Pixels, Supply, full_current_a, supply_cap, whole_pixels_at_full
from envlab.light.table import LookupTable, build_octave_table, build_table


@dataclass(frozen=True)
class SupplyTables:
    """The capped and the uncapped table of one costume, and which of them fits which animation."""

    capped: LookupTable
    uncapped: LookupTable
    words: str


def build_supply_tables(
    count_map: CountMap,
    pixels: Pixels,
    supply: Supply,
    *,
    adc_bits: int,
    entries: int | None = None,
    bits: int = 16,
    rest_light: float = 0.0,
    name: str = "brightness",
) -> SupplyTables:
    """Return both tables, evenly spaced in counts; rest_light and all other arguments as build_table.

    Raises ParameterError when the supply does not even carry the dark pixels.
    """
    cap = supply_cap(pixels, supply)
    capped = build_table(
        count_map, adc_bits=adc_bits, entries=entries, bits=bits, cap=cap, rest_light=rest_light, name=name
    )
    uncapped = build_table(
        count_map, adc_bits=adc_bits, entries=entries, bits=bits, rest_light=rest_light, name=f"{name}_full"
    )
    return _pair(capped, uncapped, pixels, supply)


def build_supply_octave_tables(
    count_map: CountMap,
    pixels: Pixels,
    supply: Supply,
    *,
    adc_bits: int,
    steps_per_octave: int = 16,
    bits: int = 16,
    rest_light: float = 0.0,
    name: str = "brightness",
) -> SupplyTables:
    """Return both tables with a log-spaced index; rest_light and all others as build_octave_table."""
    cap = supply_cap(pixels, supply)
    uncapped = build_octave_table(
        count_map,
        adc_bits=adc_bits,
        steps_per_octave=steps_per_octave,
        bits=bits,
        rest_light=rest_light,
        name=f"{name}_full",
    )
    capped = build_octave_table(
        count_map,
        adc_bits=adc_bits,
        steps_per_octave=steps_per_octave,
        bits=bits,
        cap=cap,
        rest_light=rest_light,
        name=name,
    )
    return _pair(capped, uncapped, pixels, supply)


def _pair(capped: LookupTable, uncapped: LookupTable, pixels: Pixels, supply: Supply) -> SupplyTables:
    words = explain_cap(pixels, supply)
    return SupplyTables(replace(capped, notes=(words,)), replace(uncapped, notes=(words,)), words)


def explain_cap(pixels: Pixels, supply: Supply) -> str:
    """Return in words which table fits which animation on this costume."""
    cap = supply_cap(pixels, supply)
    full_a = full_current_a(pixels, volts=supply.volts)
    asks = (
        f"All {pixels.count} pixels at full white ask {full_a:.3g} A of the converter's {supply.limit_a:g} A."
    )
    if cap >= 1.0:
        return f"{asks} Nothing has to be held back: both tables are the same."
    whole = whole_pixels_at_full(pixels, supply)
    return (
        f"{asks} The capped table tops at a duty of {cap:.3f}: take it when all pixels follow the sound"
        " together, for no frame can pass the limit, whatever is lit. The uncapped table reaches full: take"
        f" it when few pixels are lit at a time (a running point, sparks; up to {whole} whole pixels at full"
        " white), and only together with the limiter that adds up every frame and scales it down before it is"
        " sent. Without that limiter the converter cuts out in the loudest beat."
    )
