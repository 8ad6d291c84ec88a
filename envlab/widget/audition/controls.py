"""What a listener may turn: parts in steps that one can buy, settings in plain steps; index ↔ Chain."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from envlab.analog.band_filter import (
    FirstBandPass,
    FirstHighPass,
    FirstLowPass,
    NoBandFilter,
    SecondBandPass,
    SecondLowPass,
)
from envlab.analog.detector import PeakDetector
from envlab.analog.diodes.diode import DIODE_CLASSES
from envlab.analog.electret import Electret
from envlab.analog.parts import series_values
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.light.curve import CURVE_WORDS, CURVES
from envlab.study.layouts.plays import plays_of
from envlab.units import format_value

LEVEL_KEY = "sound.level_db_spl"
INPUT, DETECTOR, LIGHT, SOUND = "Microphone and preamp", "Rectifier and detector", "Light", "Sound"
_FRAME_RATES_HZ = (20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 125.0, 150.0, 200.0, 250.0)
_SAME = 1e-6


@dataclass(frozen=True, eq=False)
class Control:
    """One control. key: "section.name". values: what each option stands for, options: what it is called.

    kind: "steps" for values in an order, "choice" for others. help: what turning it does, a sentence.
    put: a chain and a value → the chain with it.
    """

    key: str
    label: str
    unit: str
    group: str
    kind: str
    help: str
    values: tuple[Any, ...]
    options: tuple[str, ...]
    put: Callable[[Chain, Any], Chain]
    read: Callable[[Chain], Any]

    def index_in(self, chain: Chain) -> int:
        """Return the option that a chain has; ParameterError if it has none of them."""
        return place_of(self.read(chain), self.values, self.key)

    def turned(self, chain: Chain, index: int) -> Chain:
        """Return the chain with another option. Raises ParameterError for what cannot be."""
        return self.put(chain, self.values[checked_index(index, self)])

    def told(self) -> dict[str, Any]:
        """What the page must know of it."""
        names = ("key", "label", "unit", "group", "kind", "help")
        return {**{name: getattr(self, name) for name in names}, "options": list(self.options)}


def controls_of(chain: Chain) -> tuple[Control, ...]:
    """Return the controls that mean something on this board; each has its present value among its options."""
    return (*_input_controls(chain), *_detector_controls(chain), *_light_controls(chain))


def level_control(levels_db_spl: Iterable[float]) -> Control:
    """Return the level of the clip; levels_db_spl: what must be among its options."""
    values = _with_own([float(level) for level in range(40, 122, 2)], *levels_db_spl)

    def no_part(chain: Chain, value: Any) -> Chain:
        del value
        return chain

    def nowhere(chain: Chain) -> Any:
        raise ParameterError(LEVEL_KEY, type(chain).__name__, "asked of the clip, not of the board")

    words = "Level of the clip at the microphone, over its whole length. The loudspeaker stays as it is."
    return Control(
        LEVEL_KEY, "Level", "dB SPL", SOUND, "steps", words, values, _plain(values), no_part, nowhere
    )


def checked_index(index: object, control: Control) -> int:
    """Return a whole number that is one of the control's options; ParameterError otherwise."""
    last = len(control.values) - 1
    if isinstance(index, bool) or not isinstance(index, int) or not 0 <= index <= last:
        raise ParameterError(control.key, index, f"an option from 0 to {last}")
    return index


def place_of(value: Any, values: Sequence[Any], name: str) -> int:
    """Return where a value stands; numbers that differ in the last digits are the same part."""
    for place, one in enumerate(values):
        if one == value or (
            isinstance(one, float) and isinstance(value, float) and abs(one - value) <= _SAME * abs(value)
        ):
            return place
    raise ParameterError(name, value, "one of its options")


def _part(
    chain: Chain, key: str, label: str, group: str, series: tuple[str, float, float], says: str
) -> Control:
    """A resistor or capacitor: every value of a series, and the board's own."""
    section, _, name = key.partition(".")
    unit, sign = ("F", "F") if name.endswith("_farad") else ("ohm", "Ω")
    values = _with_own(series_values(*series), getattr(getattr(chain, section), name))
    options = tuple(format_value(value, unit) for value in values)
    return Control(key, label, sign, group, "steps", says, values, options, *_field(section, name))


def _field(section: str, name: str) -> tuple[Callable[[Chain, Any], Chain], Callable[[Chain], Any]]:
    def put(chain: Chain, value: Any) -> Chain:
        changes: Mapping[str, Any] = {section: replace(getattr(chain, section), **{name: value})}
        return replace(chain, **changes)

    return put, lambda chain: getattr(getattr(chain, section), name)


def _with_own(values: Iterable[float], *own: float) -> tuple[float, ...]:
    """Return the values and those of the own ones that are not among them, rising."""
    known = list(values)
    for value in own:
        if not any(abs(one - value) <= _SAME * abs(value) for one in known):
            known.append(float(value))
    return tuple(sorted(known))


def _plain(values: Iterable[float]) -> tuple[str, ...]:
    return tuple(f"{value:g}" for value in values)


def _input_controls(chain: Chain) -> list[Control]:
    found = []
    if isinstance(chain.microphone, Electret):
        says = "Load of the electret: more is louder, until its drain has no voltage left."
        series = ("E12", 470.0, 22e3)
        found.append(_part(chain, "microphone.load_ohm", "Microphone load", INPUT, series, says))
    found.append(_gain_control(chain, "feedback_ohm", "Gain resistor"))
    if isinstance(chain.preamp, BoardPreamp) and chain.preamp.second_feedback_ohm is not None:
        found.append(_gain_control(chain, "second_feedback_ohm", "Gain resistor, second stage"))
    found.append(_filter_control(chain))
    return found


def _gain_control(chain: Chain, name: str, label: str) -> Control:
    says = "Feedback resistor of the preamp: more gain shows softer music, and clips on louder."
    part = _part(chain, f"preamp.{name}", label, INPUT, ("E12", 1e3, 470e3), says)
    gains = [part.put(chain, value).preamp.gain for value in part.values]
    options = tuple(f"gain {gain:.3g}, {text}" for text, gain in zip(part.options, gains, strict=True))
    return replace(part, options=options)


# Resistors, feedback and shunt capacitor of a second-order low pass; 220n over 100n gives it a Q of 0.74.
_LOW_PASSES_OHM = (15e3, 10e3, 6.8e3, 3.3e3, 1.5e3)
_HIGH_PASSES_OHM = (22e3, 10e3)


def _filter_control(chain: Chain) -> Control:
    values: list[Any] = [NoBandFilter()]
    values += [SecondLowPass(ohm, ohm, 220e-9, 100e-9) for ohm in _LOW_PASSES_OHM]
    values += [FirstHighPass(ohm, 100e-9) for ohm in _HIGH_PASSES_OHM]
    if chain.band_filter not in values:
        values.append(chain.band_filter)

    def put(some: Chain, value: Any) -> Chain:
        return replace(some, band_filter=value)

    says = "Between preamp and rectifier: a low pass follows the bass drum, a high pass leaves wind out."
    return Control(
        "band_filter.kind",
        "Band filter",
        "",
        INPUT,
        "choice",
        says,
        tuple(values),
        tuple(_filter_words(value) for value in values),
        put,
        lambda some: some.band_filter,
    )


def _filter_words(part: Any) -> str:
    if isinstance(part, NoBandFilter):
        return "none"
    low = isinstance(part, FirstLowPass | SecondLowPass)
    band = isinstance(part, FirstBandPass | SecondBandPass)
    kind = "band pass" if band else "low pass" if low else "high pass"
    values = [(field.name, getattr(part, field.name)) for field in fields(part)]
    parts = [format_value(value, "F" if name.endswith("_farad") else "ohm") for name, value in values]
    corner = "" if band else f" {_corner_hz(part, low):.0f} Hz"
    return f"{kind}{corner} ({' '.join(dict.fromkeys(parts))})"


def _corner_hz(part: Any, low: bool) -> float:
    """Where a low or high pass lets −3 dB through, by halving the span on a logarithmic axis."""
    below, above = 1.0, 100e3
    for _ in range(60):
        middle = (below * above) ** 0.5
        passes = abs(part.response(middle)) ** 2 >= 0.5
        below, above = (middle, above) if passes == low else (below, middle)
    return below


def _detector_controls(chain: Chain) -> list[Control]:
    # What a topology with amplifiers, a doubler or a transistor is made of is not turned here.
    plain = type(chain.rectifier) is Rectifier
    found = [_kind_control()] if plain else []
    detector = chain.detector
    ohms = ("E12", 100.0, 100e3)
    hold = _part(
        chain,
        "detector.hold_farad",
        "Hold capacitor",
        DETECTOR,
        ("E6", 10e-9, 10e-6),
        "Larger makes attack and release slower alike.",
    )
    if not isinstance(detector, PeakDetector):
        says = "Smoothing resistor: larger is calmer and later."
        return [
            *found,
            _part(chain, "detector.smoothing_ohm", "Smoothing resistor", DETECTOR, ohms, says),
            hold,
        ]
    attack_says = "Smaller catches short strokes; it charges the hold capacitor through the rectifier."
    release_says = "Larger lets the light fall more slowly and flash less often."
    return [
        *found,
        *([_diode_control(chain)] if plain else []),
        _part(chain, "detector.attack_ohm", "Attack resistor", DETECTOR, ohms, attack_says),
        hold,
        _part(
            chain, "detector.release_ohm", "Release resistor", DETECTOR, ("E12", 10e3, 4.7e6), release_says
        ),
    ]


def _kind_control() -> Control:
    says = "Full wave takes both halves of the sound, half wave one of them."
    kinds = ("full", "half")
    names = ("full wave", "half wave")
    put, read = _field("rectifier", "kind")
    return Control("rectifier.kind", "Rectifier", "", DETECTOR, "choice", says, kinds, names, put, read)


def _diode_control(chain: Chain) -> Control:
    """The class of diode; back at the board's own class, it is the board's own diode again."""
    own = chain.rectifier
    assert isinstance(own, Rectifier)
    classes = ("none", *DIODE_CLASSES)
    names = ("none, ideal", *(f"{name}, passive" for name in DIODE_CLASSES))

    def put(some: Chain, value: Any) -> Chain:
        if value == own.diode:
            return replace(some, rectifier=replace(own, kind=some.rectifier.kind))
        coupled = own.reference == "coupled" and value != "none"
        plain = Rectifier(
            kind=some.rectifier.kind,
            reference_node_v=own.reference_node_v,
            reference="node" if own.reference == "coupled" and not coupled else own.reference,
            diode=value,
            diodes_in_path=own.diodes_in_path,
            temperature_c=own.temperature_c,
            coupling_farad=own.coupling_farad if coupled else None,
            return_ohm=own.return_ohm if coupled else None,
            output_current_a=own.output_current_a,
        )
        return replace(some, rectifier=plain)

    says = "A passive diode keeps its drop of every soft passage; the ideal rectifier loses nothing."
    return Control(
        "rectifier.diode",
        "Diode",
        "",
        DETECTOR,
        "choice",
        says,
        classes,
        names,
        put,
        lambda some: some.rectifier.diode,
    )


def _layout_control(chain: Chain) -> list[Control]:
    """Which pixels light: the kinds that this board can show, its own with its own settings."""
    boards = plays_of(chain).boards
    if len(boards) < 2:
        return []
    layouts = tuple(board.layout for board in boards.values())

    def put(some: Chain, value: Any) -> Chain:
        return replace(some, layout=value)

    says = "Which pixels light, from the same envelope and at the same current."
    return [
        Control(
            "layout.kind",
            "Layout of light",
            "",
            LIGHT,
            "choice",
            says,
            layouts,
            tuple(boards),
            put,
            lambda some: some.layout,
        )
    ]


def _light_controls(chain: Chain) -> list[Control]:
    rates = _with_own([rate for rate in _FRAME_RATES_HZ if rate <= chain.adc.rate_hz], chain.frame_rate_hz)
    return [
        _level_step(chain, "floor_db_spl", "Floor", range(30, 102, 2), "Below this level it is dark."),
        _level_step(chain, "ceiling_db_spl", "Ceiling", range(60, 132, 2), "From this level on it is full."),
        Control(
            "brightness.curve",
            "Curve",
            "",
            LIGHT,
            "choice",
            "How the light grows between dark and full.",
            tuple(CURVES),
            tuple(CURVE_WORDS[name] for name in CURVES),
            *_field("brightness", "curve"),
        ),
        Control(
            "frames.frame_rate_hz",
            "Frame rate",
            "Hz",
            LIGHT,
            "steps",
            "How often the pixels are told their light.",
            rates,
            _plain(rates),
            lambda some, value: replace(some, frame_rate_hz=value),
            lambda some: some.frame_rate_hz,
        ),
        *_layout_control(chain),
    ]


def _level_step(chain: Chain, name: str, label: str, levels: range, says: str) -> Control:
    values = _with_own([float(level) for level in levels], getattr(chain.brightness, name))
    put, read = _field("brightness", name)
    return Control(
        f"brightness.{name}", label, "dB SPL", LIGHT, "steps", says, values, _plain(values), put, read
    )
