"""How boards of one design differ: what each part, the night and the pack may be.

All parameters are independent of each other; boards are drawn from them in drawn_boards.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, is_dataclass

from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.stage import varied_fields
from envlab.chain import Chain
from envlab.engine.board import field_names
from envlab.errors import ParameterError, check_choice, check_range
from envlab.light.lightness import check_whole
from envlab.seeds import seed_number
from envlab.sound.clip import Clip
from envlab.study.specification.parts_list import design_parts
from envlab.study.specification.ranges import Choices
from envlab.study.tolerance.operating_conditions import moved_parts
from envlab.units import FloatArray

SHAPES = ("uniform", "normal")
MOST_BOARDS = 100_000
# A maker who states a tolerance sorts out what lies beyond it: the normal shape ends at three of its sigmas.
SIGMAS = 3.0
# A level's uncertainty is two standard deviations (k = 2), and three are drawn.
_SIGMAS_STATED = 2.0
LEVEL = "level_db"
# Of a three-terminal regulator over load and temperature; common practice, no source.
_SUPPLY_SHARE = 0.03
# How far the lowest output of amplifiers of one type lies apart; typical, from memory.
_OUTPUT_LOW_PERCENT = 30.0


@dataclass(frozen=True)
class Tolerances:
    """How far boards of one design may lie apart.

    Parameters
    ----------
    resistor_percent, capacitor_percent : float or None
        ± tolerance of every resistor and capacitor, 0 to 50; None: what the parts list says (the tolerance of
        a swept range, else 1 % gain resistors, 5 % other resistors, 10 % input capacitor, 20 % other
        capacitors: common practice, no source; the letters for them, F J K M, stand in IEC 60062 [IEC60062],
        from memory).
    parts_percent : mapping
        Single parts by reference ("C3") or key ("detector.hold_farad"); these go before all else.
    microphone_db : float
        ± of the microphone's sensitivity, 0 to 12 dB; ±3 dB is typical of electrets, ±1 dB of MEMS types
        (from memory).
    offset_v : float
        ± of the preamp's input offset about the stated one, 0 to 0.05 V; ±2 mV is typical of a plain
        amplifier (from memory).
    reference_percent : float
        ± of the ADC's reference, 0 to 20; of no account where the reference is the analog supply, which has a
        range of its own.
    temperature_c : tuple
        (low, high) of the night, °C, −40 to 60; of no account on a board none of whose parts it moves.
    supply_v : tuple or None
        (low, high) of the analog supply, V, 0.5 to 60; None: ±3 % about the stated one. Both are always
        uniform: the night chooses, no maker sorts it.
    shape : str
        "uniform": any deviation within the tolerance is equally likely; "normal": the tolerance is three
        sigmas, and nothing lies beyond it.
    boards : int
        1 to 100,000.
    seed : int
        0 or more. Resistors' and amplifiers' own drift with temperature is left out: 100 ppm/K over 40 K is
        0.4 %.
    deviations : mapping
        ± of single numbers of a stage that are no parts, by key, as {"adc.offset_lsb": 2.0}, in the unit of
        the key; a key left out has what its stage says is usual (the ADC's offset, gain_error_percent and
        bow).

    References
    ----------
    [IEC60062] IEC 60062:2016, Marking codes for resistors and capacitors.

    Examples
    --------
    >>> from envlab import Tolerances
    >>> Tolerances(boards=200, parts_percent={"C3": 10.0}).parts_percent["C3"]
    10.0
    """

    resistor_percent: float | None = None
    capacitor_percent: float | None = None
    parts_percent: Mapping[str, float] = field(default_factory=dict)
    microphone_db: float = 3.0
    offset_v: float = 0.002
    reference_percent: float = 1.0
    temperature_c: tuple[float, float] = (0.0, 40.0)
    supply_v: tuple[float, float] | None = None
    shape: str = "uniform"
    boards: int = 1000
    seed: int = 1
    deviations: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("resistor_percent", "capacitor_percent"):
            if getattr(self, name) is not None:
                check_range(name, getattr(self, name), 0, 50, unit="%")
        for part, percent in self.parts_percent.items():
            check_range(f"parts_percent {part}", percent, 0, 50, unit="%")
        check_range("microphone_db", self.microphone_db, 0, 12, unit="dB")
        check_range("offset_v", self.offset_v, 0, 0.05, unit="V")
        check_range("reference_percent", self.reference_percent, 0, 20, unit="%")
        for key, most in self.deviations.items():
            check_range(f"deviations {key}", most, 0)
        _check_span("temperature_c", self.temperature_c, -40, 60, "°C")
        if self.supply_v is not None:
            _check_span("supply_v", self.supply_v, 0.5, 60, "V")
        check_choice("shape", self.shape, SHAPES)
        check_whole("boards", self.boards, 1, MOST_BOARDS)
        object.__setattr__(self, "seed", seed_number(self.seed))


def _check_span(name: str, span: tuple[float, float], least: float, most: float, unit: str) -> None:
    if not isinstance(span, tuple) or len(span) != 2:
        raise ParameterError(name, span, "two numbers, the low and the high one")
    low, high = span
    check_range(f"{name} (low)", low, least, most, unit=unit)
    check_range(f"{name} (high)", high, least, most, unit=unit)
    if low > high:
        raise ParameterError(name, list(span), "the low value first, then the high one")


@dataclass(frozen=True)
class VariedParameter:
    """One thing in which boards differ.

    name: column of the boards' table, with its unit: "C3_percent", "microphone_db", "level_db" (by how much
    the clips are louder than stated), "input_offset_v", "reference_percent", "adc_offset_lsb",
    "temperature_c", "supply_v". label: as in "C3 hold". key: "stage.key" of a part or of another number of a
    stage, else "". low, high: ends of the deviation in that unit (temperature and supply: the value itself).
    designed: the value that the design has. shape: as in Tolerances. is_part: whether the deviation is a
    share of what stands at key; else it is added to it.
    """

    name: str
    label: str
    key: str
    low: float
    high: float
    designed: float
    shape: str
    is_part: bool = False

    def value(self, share: FloatArray) -> FloatArray:
        """Return the values at shares of the way from the middle to the ends, −1 to 1, any shape."""
        return 0.5 * (self.low + self.high) + 0.5 * (self.high - self.low) * share

    @property
    def _unit(self) -> str:
        return {"percent": "%", "db": "dB", "v": "V", "c": "°C", "lsb": "LSB"}[self.name.rsplit("_", 1)[-1]]

    @property
    def is_condition(self) -> bool:
        """Whether it is what the board meets, not what it is made of: temperature, supply."""
        return self.name in ("temperature_c", "supply_v")

    @property
    def range_text(self) -> str:
        """As in "±20 %", "−10 to 20 °C"."""
        if self.name == LEVEL:
            return f"±{self.high * _SIGMAS_STATED / SIGMAS:.3g} dB, 19 times in 20"
        if self.is_condition:
            return f"{self.low:.3g} to {self.high:.3g} {self._unit}".replace("-", "−")
        if self.name.endswith("offset_v"):
            return f"±{1e3 * self.high:.3g} mV"
        return f"±{self.high:.3g} {self._unit}"

    def text(self, value: float) -> str:
        """As in "C3 hold +20 %", "supply 3.4 V"."""
        if self.is_condition:
            told = f"{value:.3g} {self._unit}"
        elif self.name.endswith("offset_v"):
            told = f"{1e3 * value:+.3g} mV"
        else:
            told = f"{value:+.3g} {self._unit}"
        return f"{self.label} {told}".replace("-", "−")

    def tighter(self) -> tuple[float, str] | None:
        """Return what share of its range is left when it is bought a class tighter, and that range in words.

        Parts by closest_tolerance, a microphone at ±1 dB; None: it cannot be bought tighter.
        """
        if self.is_part:
            percent = closest_tolerance(self.high)
            return None if percent is None else (percent / self.high, f"±{percent:g} %")
        if self.name == "microphone_db" and self.high > 1:
            return 1 / self.high, "±1 dB"
        return None


def varied_parameters(
    chain: Chain,
    tolerances: Tolerances,
    ranges: Mapping[str, Choices] | None = None,
    clips: Sequence[Clip] = (),
) -> list[VariedParameter]:
    """Return what differs from board to board, in the order of the signal, without what does not vary.

    ranges: of the sweep; they know the tolerance of the parts that are bought. clips: whose levels are not
    known for sure; each night they are all off the same way, one draw a board, each in proportion to its own
    uncertainty. Raises ParameterError for a part in tolerances.parts_percent that the board does not have.
    """
    stated = dict(tolerances.parts_percent)
    most_db = max((clip.level_uncertainty_db for clip in clips), default=0.0) * SIGMAS / _SIGMAS_STATED
    parameters = [
        VariedParameter(LEVEL, "level of the clips", "", -most_db, most_db, 0.0, "normal"),
        VariedParameter(
            "microphone_db",
            "microphone",
            "",
            -tolerances.microphone_db,
            tolerances.microphone_db,
            0.0,
            tolerances.shape,
        ),
    ]
    parts = design_parts(chain, ranges)
    for part in parts:
        general = tolerances.resistor_percent if part.unit == "ohm" else tolerances.capacitor_percent
        percent = part.tolerance_percent or 0.0 if general is None else general
        for name in (part.reference, part.key):
            percent = stated.pop(name, percent)
        what = part.key.partition(".")[2].rsplit("_", 1)[0].replace("_", " ")
        name, label = f"{part.reference}_percent", f"{part.reference} {what}"
        parameters.append(
            VariedParameter(name, label, part.key, -percent, percent, 0.0, tolerances.shape, is_part=True)
        )
    if stated:
        have = ", ".join(part.reference for part in parts)
        raise ParameterError("parts_percent", next(iter(stated)), f"one of this board's parts: {have}")
    parameters += _deviations(chain, tolerances)
    parameters += _conditions(chain, tolerances)
    return [one for one in parameters if one.low < one.high or one.low != one.designed]


def _deviations(chain: Chain, tolerances: Tolerances) -> list[VariedParameter]:
    """What the stages themselves say differs from board to board."""
    stated, found = dict(tolerances.deviations), []
    for stage in field_names(chain):
        part = getattr(chain, stage)
        varied = varied_fields(type(part)) if is_dataclass(part) else {}
        for name, one in varied.items():
            most = stated.pop(f"{stage}.{name}", one.usual)
            if getattr(part, name) is not None:
                found.append(
                    VariedParameter(
                        f"{stage}_{name}", one.label, f"{stage}.{name}", -most, most, 0.0, tolerances.shape
                    )
                )
    if stated:
        have = ", ".join(parameter.key for parameter in found)
        raise ParameterError("deviations", next(iter(stated)), f"one of what varies on this board: {have}")
    return found


def _conditions(chain: Chain, tolerances: Tolerances) -> list[VariedParameter]:
    designed_v = chain.preamp.supply_v
    low_v, high_v = tolerances.supply_v or (
        designed_v * (1 - _SUPPLY_SHARE),
        designed_v * (1 + _SUPPLY_SHARE),
    )
    some = [("input_offset_v", "amplifier offset", tolerances.offset_v)]
    if chain.adc.reference_v != designed_v:
        some.append(("reference_percent", "ADC reference", tolerances.reference_percent))
    some += _of_amplifiers(chain)
    own = [VariedParameter(name, label, "", -most, most, 0.0, tolerances.shape) for name, label, most in some]
    room_c = chain.hold_capacitor.temperature_c
    cold_c, warm_c = tolerances.temperature_c
    temperature = VariedParameter("temperature_c", "temperature", "", cold_c, warm_c, room_c, "uniform")
    felt = any(moved_parts(chain, end_c) for end_c in (cold_c, warm_c))
    return [
        *own,
        *([temperature] if felt else []),
        VariedParameter("supply_v", "supply", "", low_v, high_v, designed_v, "uniform"),
    ]


def _of_amplifiers(chain: Chain) -> list[tuple[str, str, float]]:
    """Return (name, label, most) of what amplifiers differ in: offsets, lowest output.

    Those of the rectifier; and the pin's buffer, where the detector rests below where its output ends.
    """
    buffer = ("buffer_low_percent", "buffer's lowest output", _OUTPUT_LOW_PERCENT)
    rests_v = chain.quiescent_v / (1 + 0.01 * _OUTPUT_LOW_PERCENT)
    is_felt = rests_v < chain.adc_as_built.lowest_pin_v
    return [*_of_rectifiers_amplifiers(chain), *([buffer] if is_felt else [])]


def _of_rectifiers_amplifiers(chain: Chain) -> list[tuple[str, str, float]]:
    if not isinstance(chain.rectifier, ActiveRectifier):
        return []
    part = chain.rectifier.amplifier_part
    names = [f"u2{chr(ord('a') + place)}" for place in range(len(chain.rectifier.fitted_amplifiers))]
    offsets = [(f"{name}_offset_v", f"{name.upper()} offset", part.offset_v) for name in names]
    return [*offsets, ("output_low_percent", "lowest output", _OUTPUT_LOW_PERCENT)]


def closest_tolerance(percent: float) -> float | None:
    """Return the next tighter tolerance that parts are sold in, %; None: there is none.

    20, 10, 5, 2, 1, 0.5, 0.1 % have the letters M, K, J, G, F, D, B of IEC 60062 [IEC60062] (from memory).
    """
    tighter = [one for one in (20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.1) if one < percent - 1e-9]
    return tighter[0] if tighter else None
