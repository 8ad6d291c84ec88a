"""The parts of a chain as one buys and solders them: reference, value, series, tolerance, purpose."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from envlab.analog.parts import SERIES, PartRange, nearest_value
from envlab.chain import Chain
from envlab.study.specification.ranges import Choices
from envlab.units import format_value

# (reference, stage, field, unit, usual tolerance in %, purpose), in the order of the signal. One role keeps
# its reference on every board, so a board that has no second stage has gaps in its numbers.
# Usual tolerances: common practice, no source.
_BOARD: tuple[tuple[str, str, str, str, float, str], ...] = (
    ("R7", "microphone", "load_ohm", "ohm", 1, "feeds the electret, and loads it: its gain"),
    ("C1", "preamp", "coupling_farad", "F", 10, "couples the microphone to the preamp"),
    ("R1", "preamp", "input_ohm", "ohm", 5, "ties the preamp's input to the bias voltage"),
    ("R2", "preamp", "ground_ohm", "ohm", 1, "sets the gain, with R3"),
    ("R3", "preamp", "feedback_ohm", "ohm", 1, "sets the gain: 1 + R3/R2"),
    ("C2", "preamp", "ground_farad", "F", 20, "keeps the gain at 1 for the resting voltage"),
    ("C4", "preamp", "second_coupling_farad", "F", 10, "couples the second stage to the first"),
    ("R8", "preamp", "second_input_ohm", "ohm", 5, "ties the second stage's input to the bias voltage"),
    ("R9", "preamp", "second_ground_ohm", "ohm", 1, "sets the second stage's gain, with R10"),
    ("R10", "preamp", "second_feedback_ohm", "ohm", 1, "sets the second stage's gain: 1 + R10/R9"),
    ("C5", "preamp", "second_ground_farad", "F", 20, "keeps the second stage's gain at 1 at rest"),
    ("C6", "band_filter", "high_farad", "F", 5, "high pass: takes off what lies under 1/(2π·R11·C6)"),
    ("R11", "band_filter", "high_ohm", "ohm", 1, "high pass, with C6"),
    ("C6", "band_filter", "high_in_farad", "F", 5, "high pass, with C7, R11 and R12"),
    ("C7", "band_filter", "high_out_farad", "F", 5, "high pass"),
    ("R11", "band_filter", "high_feedback_ohm", "ohm", 1, "high pass: back from the output"),
    ("R12", "band_filter", "high_shunt_ohm", "ohm", 1, "high pass: to the bias voltage"),
    ("R13", "band_filter", "low_ohm", "ohm", 1, "low pass: takes off what lies over 1/(2π·R13·C8)"),
    ("C8", "band_filter", "low_farad", "F", 5, "low pass, with R13"),
    ("R13", "band_filter", "low_in_ohm", "ohm", 1, "low pass, with R14, C8 and C9"),
    ("R14", "band_filter", "low_out_ohm", "ohm", 1, "low pass"),
    ("C8", "band_filter", "low_feedback_farad", "F", 5, "low pass: back from the output"),
    ("C9", "band_filter", "low_shunt_farad", "F", 5, "low pass: to the bias voltage"),
    ("C10", "rectifier", "coupling_farad", "F", 10, "couples the signal to the diode"),
    ("R15", "rectifier", "return_ohm", "ohm", 5, "leads the diode's mean current back"),
    ("R4", "detector", "attack_ohm", "ohm", 5, "attack: the hold capacitor charges through it"),
    ("R6", "detector", "smoothing_ohm", "ohm", 5, "smooths: fills and empties the hold capacitor"),
    ("C3", "detector", "hold_farad", "F", 20, "holds the envelope"),
    ("R5", "detector", "release_ohm", "ohm", 5, "release: empties the hold capacitor"),
    ("R17", "detector", "load_ohm", "ohm", 5, "loads the hold capacitor"),
    ("R16", "adc", "source_ohm", "ohm", 5, "stands before the converter's pin"),
)


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
    for reference, stage, name, unit, usual_percent, purpose in _BOARD:
        value = getattr(getattr(chain, stage), name, None)
        if not value or (name.startswith("second_") and _one_stage(chain)):
            continue
        key = f"{stage}.{name}"
        asked = ranges.get(key)
        series = asked.series if isinstance(asked, PartRange) else coarsest_series(value)
        percent = asked.tolerance_percent if isinstance(asked, PartRange) else usual_percent
        parts.append(BoardPart(reference, key, value, unit, series, percent, purpose))
    return parts


def _one_stage(chain: Chain) -> bool:
    return getattr(chain.preamp, "second_feedback_ohm", None) is None


def coarsest_series(value: float) -> str:
    """Return the E series with the fewest values that has this one; "none" if no series has it."""
    for series in SERIES:
        if abs(nearest_value(series, value) / value - 1) < 1e-6:
            return series
    return "none"
