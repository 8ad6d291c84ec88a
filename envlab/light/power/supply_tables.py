"""Two tables for one costume: one that the supply carries whatever is lit, one for a limiter per frame."""

from __future__ import annotations

from dataclasses import dataclass, replace

from envlab.light.curve import CountMap
from envlab.light.pixels import Pixels, Supply, full_current_a, supply_duty_limit, whole_pixels_at_full
from envlab.light.table import LookupTable, build_octave_table, build_table


@dataclass(frozen=True)
class SupplyTables:
    """The limited and the unlimited table of one costume, and which of them fits which animation."""

    limited: LookupTable
    unlimited: LookupTable
    words: str


def build_supply_tables(
    count_map: CountMap,
    pixels: Pixels,
    supply: Supply,
    *,
    adc_bits: int,
    entries: int | None = None,
    bits: int = 16,
    base_light: float = 0.0,
    name: str = "brightness",
) -> SupplyTables:
    """Return both tables, evenly spaced in counts; base_light and all other arguments as build_table.

    Raises ParameterError when the supply does not even carry the dark pixels.
    """
    duty_limit = supply_duty_limit(pixels, supply)
    limited = build_table(
        count_map,
        adc_bits=adc_bits,
        entries=entries,
        bits=bits,
        duty_limit=duty_limit,
        base_light=base_light,
        name=name,
    )
    unlimited = build_table(
        count_map, adc_bits=adc_bits, entries=entries, bits=bits, base_light=base_light, name=f"{name}_full"
    )
    return _pair(limited, unlimited, pixels, supply)


def build_supply_octave_tables(
    count_map: CountMap,
    pixels: Pixels,
    supply: Supply,
    *,
    adc_bits: int,
    steps_per_octave: int = 16,
    bits: int = 16,
    base_light: float = 0.0,
    name: str = "brightness",
) -> SupplyTables:
    """Return both tables with a log-spaced index; base_light and all others as build_octave_table."""
    duty_limit = supply_duty_limit(pixels, supply)
    unlimited = build_octave_table(
        count_map,
        adc_bits=adc_bits,
        steps_per_octave=steps_per_octave,
        bits=bits,
        base_light=base_light,
        name=f"{name}_full",
    )
    limited = build_octave_table(
        count_map,
        adc_bits=adc_bits,
        steps_per_octave=steps_per_octave,
        bits=bits,
        duty_limit=duty_limit,
        base_light=base_light,
        name=name,
    )
    return _pair(limited, unlimited, pixels, supply)


def _pair(limited: LookupTable, unlimited: LookupTable, pixels: Pixels, supply: Supply) -> SupplyTables:
    words = explain_duty_limit(pixels, supply)
    return SupplyTables(replace(limited, notes=(words,)), replace(unlimited, notes=(words,)), words)


def explain_duty_limit(pixels: Pixels, supply: Supply) -> str:
    """Return in words which table fits which animation on this costume."""
    duty_limit = supply_duty_limit(pixels, supply)
    full_a = full_current_a(pixels, volts=supply.volts)
    asks = (
        f"All {pixels.count} pixels at full white ask {full_a:.3g} A of the {supply.name}'s "
        f"{supply.limit_words}."
    )
    if duty_limit >= 1.0:
        return f"{asks} Nothing has to be held back: both tables are the same."
    whole = whole_pixels_at_full(pixels, supply)
    return (
        f"{asks} The limited table ends at a duty of {duty_limit:.3f}: take it when all pixels follow"
        " the sound together, for no frame can pass the limit, whatever is lit. The"
        " unlimited table reaches full: take"
        f" it when few pixels are lit at a time (a running point, sparks; up to {whole} whole pixels at full"
        " white), and only together with the limiter that adds up every frame and scales it down before it is"
        f" sent. Without that limiter the {supply.name} cuts out in the loudest beat."
    )
