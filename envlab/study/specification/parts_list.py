"""The parts of a board as one buys and solders them: reference, value, series, tolerance, ratings, purpose.

They are the parts of the board's circuit (envlab.circuit), one row for each that is bought: the amplifiers of
one package are one row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from envlab.analog.parts import SERIES, PartRange, nearest_value
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.circuit.description import Circuit, Component
from envlab.circuit.ratings import rating
from envlab.light.power.battery import Pack
from envlab.study.specification.ranges import Choices
from envlab.units import format_value


@dataclass(frozen=True)
class BoardPart:
    """One line of the parts list; value in SI units. role: what it is for; purpose: the same, and how.

    key: of the design, if it sets the value; else "". value: None where the specification says all.
    rated_v: V, power_w: W; None where they mean nothing.
    """

    reference: str
    key: str
    value: float | None
    unit: str
    series: str
    tolerance_percent: float | None
    role: str
    purpose: str
    kind: str = ""
    quantity: int = 1
    specification: str = ""
    dielectric: str = ""
    rated_v: float | None = None
    power_w: float | None = None

    @property
    def value_text(self) -> str:
        """As printed on the part or in a catalogue: "4k7", "1u", "4 A"; "" without a value."""
        return "" if self.value is None else format_value(self.value, self.unit)

    @property
    def tolerance_text(self) -> str:
        """As in "±5 %"; "" where it means nothing."""
        return "" if self.tolerance_percent is None else f"±{self.tolerance_percent:g} %"


def parts_list(
    chain: Chain,
    ranges: Mapping[str, Choices] | None = None,
    *,
    pack: Pack | None = None,
    offset_v: float | None = None,
) -> list[BoardPart]:
    """Return all parts of a board in order of the signal, then what feeds it.

    Parameters
    ----------
    chain : Chain
        The board.
    ranges : mapping or None
        Series and tolerance of the swept parts.
    pack : Pack or None
        What it runs on; None: two lithium-ion cells in series. Of no account with a power bank.
    offset_v : float or None
        Most offset that is asked of the preamp's amplifier, V; None: what the design has.

    Returns
    -------
    list of BoardPart
    """
    circuit = circuit_of(chain, pack)
    by_package: dict[str, list[Component]] = {}
    for part in circuit.components:
        by_package.setdefault(part.package, []).append(_with_offset(part, offset_v))
    return [_row(circuit, reference, sections, ranges or {}) for reference, sections in by_package.items()]


def _with_offset(part: Component, offset_v: float | None) -> Component:
    if offset_v is None or (part.kind, part.stage) != ("amplifier", "preamp"):
        return part
    return replace(part, data=MappingProxyType({**part.data, "offset_limit_v": offset_v}))


def design_parts(chain: Chain, ranges: Mapping[str, Choices] | None = None) -> list[BoardPart]:
    """Return those parts of parts_list whose values are keys of the design, in order of the signal."""
    return [part for part in parts_list(chain, ranges) if part.key]


def _row(
    circuit: Circuit, reference: str, sections: list[Component], ranges: Mapping[str, Choices]
) -> BoardPart:
    part = sections[0]
    asked = ranges.get(part.key) if part.key else None
    rated = rating(circuit, part)
    series, percent = "", part.tolerance_percent
    if part.kind in ("resistor", "capacitor") and part.value is not None:
        series = asked.series if isinstance(asked, PartRange) else coarsest_series(part.value)
    if isinstance(asked, PartRange):
        percent = asked.tolerance_percent
    purposes = list(dict.fromkeys(section.role for section in sections))
    return BoardPart(
        reference,
        part.key,
        part.value,
        part.unit,
        series,
        percent,
        "; ".join(dict.fromkeys(purpose.partition(": ")[0] for purpose in purposes)),
        "; ".join(purposes),
        part.kind,
        int(part.data.get("count", 1)),
        rated.specification,
        rated.dielectric,
        rated.rated_v,
        rated.power_w,
    )


def coarsest_series(value: float) -> str:
    """Return the E series with the fewest values that has this one; "none" if no series has it."""
    for series in SERIES:
        if abs(nearest_value(series, value) / value - 1) < 1e-6:
            return series
    return "none"
