"""The parts of a chain as one buys and solders them: reference, value, series, tolerance, purpose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from envlab.analog.parts import SERIES, PartRange, nearest_value
from envlab.chain import Chain
from envlab.study.ranges import Choices
from envlab.units import format_value

# reference → (stage, field, unit, usual tolerance in %, purpose).
# Usual tolerances: common practice, no source.
_BOARD: dict[str, tuple[str, str, str, float, str]] = {
    "C1": ("preamp", "coupling_farad", "F", 10, "couples the microphone to the preamp"),
    "R1": ("preamp", "input_ohm", "ohm", 5, "ties the preamp's input to the bias voltage"),
    "R2": ("preamp", "ground_ohm", "ohm", 1, "sets the gain, with R3"),
    "R3": ("preamp", "feedback_ohm", "ohm", 1, "sets the gain: 1 + R3/R2"),
    "C2": ("preamp", "ground_farad", "F", 20, "keeps the gain at 1 for the resting voltage"),
    "R4": ("detector", "attack_ohm", "ohm", 5, "attack: the hold capacitor charges through it"),
    "R6": ("detector", "smoothing_ohm", "ohm", 5, "smooths: the capacitor charges and discharges through it"),
    "C3": ("detector", "hold_farad", "F", 20, "holds the envelope"),
    "R5": ("detector", "release_ohm", "ohm", 5, "release: empties the hold capacitor"),
}


@dataclass(frozen=True)
class BoardPart:
    """One line of the parts list; value in SI units."""

    reference: str
    key: str
    value: float
    unit: str
    series: str
    tolerance_percent: float
    purpose: str

    @property
    def value_text(self) -> str:
        """As printed on the part or in a catalogue: "4k7", "1u"."""
        return format_value(self.value, self.unit)


def parts_list(chain: Chain, ranges: Mapping[str, Choices] | None = None) -> list[BoardPart]:
    """Return the board's parts in order of the signal; ranges give series and tolerance of swept ones."""
    ranges = ranges or {}
    parts = []
    for reference, (stage, name, unit, usual_percent, purpose) in _BOARD.items():
        value = getattr(getattr(chain, stage), name, None)
        if value is None:
            continue
        key = f"{stage}.{name}"
        asked = ranges.get(key)
        series = asked.series if isinstance(asked, PartRange) else coarsest_series(value)
        percent = asked.tolerance_percent if isinstance(asked, PartRange) else usual_percent
        parts.append(BoardPart(reference, key, value, unit, series, percent, purpose))
    return parts


def coarsest_series(value: float) -> str:
    """Return the E series with the fewest values that has this one; "none" if no series has it."""
    for series in SERIES:
        if abs(nearest_value(series, value) / value - 1) < 1e-6:
            return series
    return "none"
