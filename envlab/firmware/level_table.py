"""The runtime's brightness table: evenly spaced in level, from first light to full light.

Entry i belongs to a level of i·256 units (a sixteenth of an octave) above the floor of the brightness window.
So the table is short, and the window can be moved by adding to the level: no new table for another loudness.
Where the design has the window, entries stand at the very envelope that their level means.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from envlab.digital.fixed_point import check_adc_bits, level_of, word_of
from envlab.errors import ParameterError
from envlab.light.curve import CountMap, relative_luminance
from envlab.light.table import duty_codes
from envlab.units import IntArray

UNITS_PER_ENTRY = 256
MOST_SEGMENTS = 254


@dataclass(frozen=True, eq=False)
class LevelTable:
    """A table over the brightness window.

    duty_codes (segments + 2,): 16 bit, never falling, the last one twice so that the look-up may read one
    past the end. window: level at which light begins where the design has it. base_duty: code while the
    gate is shut. count_map: what was asked for.
    """

    duty_codes: IntArray
    window: int
    base_duty: int
    adc_bits: int
    count_map: CountMap

    @property
    def segments(self) -> int:
        """Number of steps between first and full light."""
        return int(self.duty_codes.size) - 2

    @property
    def range_level(self) -> int:
        """Width of the window, level units."""
        return self.segments * UNITS_PER_ENTRY

    @property
    def range_db(self) -> float:
        """Width of the window, dB."""
        return 20.0 * math.log10(self.ceiling_counts / self.floor_counts)

    @property
    def floor_counts(self) -> float:
        """Achieved floor, counts of envelope above quiescent."""
        return _counts(self.window, self.adc_bits)

    @property
    def ceiling_counts(self) -> float:
        """Achieved ceiling, counts of envelope above quiescent."""
        return _counts(self.window + self.range_level, self.adc_bits)


def build_level_table(
    count_map: CountMap, *, adc_bits: int, duty_limit: float = 1.0, base_light: float = 0.0
) -> LevelTable:
    """Return the runtime's table of a count map.

    duty_limit: duty at full light, 0..1, as the supply bears it. base_light: share of full light that stays
    on when all is quiet. Full light is reached exactly at the asked ceiling; the floor moves by at most
    0.27 dB, to a whole number of entries under it. A ceiling beyond the ADC's full scale is possible; then
    full light is never reached. Raises ParameterError for a ceiling 24 dB beyond it, a floor that the ADC's
    word cannot hold, or a window wider than 95 dB.
    """
    check_adc_bits(adc_bits)
    per_count = 1 << (16 - adc_bits)
    if count_map.ceiling_counts > 16 << adc_bits:
        limit = f"at most {16 << adc_bits}, 24 dB over the ADC's full scale"
        raise ParameterError("ceiling_counts", count_map.ceiling_counts, limit)
    if count_map.floor_counts >= 1 << adc_bits:
        raise ParameterError("floor_counts", count_map.floor_counts, f"below {1 << adc_bits}, full scale")
    if count_map.floor_counts * per_count < 1:
        raise ParameterError("floor_counts", count_map.floor_counts, f"at least {1 / per_count:g}")
    ceiling = math.floor(level_of(math.floor(count_map.ceiling_counts * per_count)))
    width = ceiling - level_of(count_map.floor_counts * per_count)
    segments = min(max(round(width / UNITS_PER_ENTRY), 1), ceiling // UNITS_PER_ENTRY)
    if not 1 <= segments <= MOST_SEGMENTS:
        raise ParameterError("ceiling_counts", count_map.ceiling_counts, "1 to 95 dB above the floor")
    window = ceiling - segments * UNITS_PER_ENTRY
    achieved = replace(
        count_map, floor_counts=_counts(window, adc_bits), ceiling_counts=_counts(ceiling, adc_bits)
    )
    levels = window + UNITS_PER_ENTRY * np.arange(segments + 1)
    counts = np.array([_counts(int(at), adc_bits) for at in levels])
    codes = duty_codes(
        relative_luminance(counts, achieved), bits=16, duty_limit=duty_limit, base_light=base_light
    )
    rest = duty_codes(np.zeros(1), bits=16, duty_limit=duty_limit, base_light=base_light)
    return LevelTable(np.append(codes, codes[-1]), window, int(rest[0]), adc_bits, count_map)


def _counts(level: int, adc_bits: int) -> float:
    return word_of(level) / (1 << (16 - adc_bits))
