"""The parts of a chain as one buys and solders them: reference, value, series, tolerance, purpose.

What a field is on the board stands beside the field, in its stage's own file (envlab.analog.stage.part).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

from envlab.analog.parts import SERIES, PartRange, nearest_value
from envlab.analog.stage import fitted_parts
from envlab.chain import Chain
from envlab.engine.board import field_names
from envlab.study.specification.ranges import Choices
from envlab.units import format_value


@dataclass(frozen=True)
class BoardPart:
    """One line of the parts list; value in SI units. role: what it is for; purpose: the same, and how."""

    reference: str
    key: str
    value: float
    unit: str
    series: str
    tolerance_percent: float
    role: str
    purpose: str

    @property
    def value_text(self) -> str:
        """As printed on the part or in a catalogue: "4k7", "1u"."""
        return format_value(self.value, self.unit)


def parts_list(chain: Chain, ranges: Mapping[str, Choices] | None = None) -> list[BoardPart]:
    """Return the board's parts in order of the signal; ranges give series and tolerance of swept ones.

    Parameters
    ----------
    chain : Chain
        The board.
    ranges : mapping or None
        Series and tolerance of the swept ones.

    Returns
    -------
    list of BoardPart
    """
    ranges = ranges or {}
    parts = []
    for stage in field_names(chain):
        if not dataclasses.is_dataclass(getattr(chain, stage)):
            continue
        for name, one, value in fitted_parts(getattr(chain, stage)):
            key = f"{stage}.{name}"
            asked = ranges.get(key)
            series = asked.series if isinstance(asked, PartRange) else coarsest_series(value)
            percent = asked.tolerance_percent if isinstance(asked, PartRange) else one.usual_percent
            unit = part_unit(name)
            parts.append(BoardPart(one.reference, key, value, unit, series, percent, one.role, one.purpose))
    return parts


def part_unit(name: str) -> str:
    """Return the unit of a part by the suffix of its field: "ohm" or "F"."""
    return {"ohm": "ohm", "farad": "F"}[name.rsplit("_", 1)[-1]]


def coarsest_series(value: float) -> str:
    """Return the E series with the fewest values that has this one; "none" if no series has it."""
    for series in SERIES:
        if abs(nearest_value(series, value) / value - 1) < 1e-6:
            return series
    return "none"
