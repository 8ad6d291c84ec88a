"""Design files: TOML in, a Chain out, and back.

Every key is a field of the stage it describes, with the unit in its name; values may be written as the trade
does ("4k7", "100n", "2.2 uF"). Nothing is guessed: an unknown key, a wrong unit or a value outside its
limit is an error that names file, key, value and limit.
"""

from __future__ import annotations

import dataclasses
import hashlib
import typing
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import tomlkit

from envlab.analog.adc import Adc
from envlab.analog.band_filter import (
    FirstBandPass,
    FirstHighPass,
    FirstLowPass,
    NoBandFilter,
    SecondBandPass,
    SecondHighPass,
    SecondLowPass,
)
from envlab.analog.detector import AverageDetector, PeakDetector
from envlab.analog.diodes.diode import DIODE_CLASSES
from envlab.analog.electret import Electret
from envlab.analog.hold_capacitor import HoldCapacitor
from envlab.analog.microphone import Microphone
from envlab.analog.parts import nearest_value
from envlab.analog.preamps.board_preamp import BoardPreamp
from envlab.analog.preamps.preamp import Preamp
from envlab.analog.rectifiers.absolute_value import AbsoluteValue
from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
from envlab.analog.rectifiers.diodeless import Diodeless
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import Bridge, VoltageDoubler
from envlab.analog.rectifiers.transistor_detector import TransistorDetector
from envlab.analog.stage import parts_of
from envlab.chain import Chain
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.digital.followers import (
    AttackRelease,
    MeanSquare,
    MovingMaximum,
    MovingMean,
    OnePole,
    PassThrough,
    PeakHold,
)
from envlab.errors import FileError, ParameterError
from envlab.files.tables import build, fields_of, nearest, read_toml
from envlab.light.costume_colour import CostumeColour
from envlab.light.curve import BrightnessMap
from envlab.light.layout.layout import Layout
from envlab.light.pixels import USUAL_MARGIN, Pixels, Supply
from envlab.light.power.battery import Pack
from envlab.light.power.coupling import Coupling
from envlab.light.power.feed import Feed
from envlab.units import format_value, parse_value, unit_of

# Section of the file → the stage it describes; by its "kind", where a stage has more than one form, or by
# what CHOSEN_BY says. A form that knows its own name may stand under several.
STAGES: dict[str, type | dict[str, type]] = {
    "microphone": {"analog": Microphone, "electret": Electret},
    "preamp": {"plain": Preamp, "board": BoardPreamp},
    "band_filter": {
        "none": NoBandFilter,
        "first_low": FirstLowPass,
        "first_high": FirstHighPass,
        "first_band": FirstBandPass,
        "second_low": SecondLowPass,
        "second_high": SecondHighPass,
        "second_band": SecondBandPass,
    },
    "rectifier": {
        "ideal": Rectifier,
        "passive_half_wave": Rectifier,
        "passive_full_wave": Rectifier,
        "voltage_doubler": VoltageDoubler,
        "bridge": Bridge,
        "transistor_detector": TransistorDetector,
        "difference_superdiodes": DifferenceSuperdiodes,
        "absolute_value": AbsoluteValue,
        "diodeless": Diodeless,
        "bias_superdiodes": BiasSuperdiodes,
    },
    "detector": {"peak": PeakDetector, "average": AverageDetector},
    "hold_capacitor": HoldCapacitor,
    "adc": Adc,
    "follower": {
        "none": PassThrough,
        "one_pole": OnePole,
        "attack_release": AttackRelease,
        "peak_hold": PeakHold,
        "mean_square": MeanSquare,
        "moving_mean": MovingMean,
        "moving_maximum": MovingMaximum,
    },
    "brightness": BrightnessMap,
    "pixels": Pixels,
    "supply": Supply,
    "layout": Layout,
    "firmware": FirmwareSettings,
    "pack": Pack,
    "feed": Feed,
    "coupling": Coupling,
    "colour": CostumeColour,
}
CHOSEN_BY = {"rectifier": "topology"}
# What a topology says of a key that is left out.
IMPLIED: Mapping[str, Mapping[str, str]] = {
    "passive_half_wave": {"kind": "half"},
    "passive_full_wave": {"kind": "full"},
}
# Keys that name one part on the board: such a value must be one that can be bought.
BOUGHT: dict[str, tuple[str, ...]] = {}
for _section, _kinds in STAGES.items():
    _names = {
        name: None
        for _kind in (_kinds.values() if isinstance(_kinds, dict) else (_kinds,))
        for name, one in parts_of(_kind).items()
        if one.bought
    }
    if _names:
        BOUGHT[_section] = tuple(_names)
FRAME_KEYS = ("pixel_bits", "frame_rate_hz", "dither_bits", "current_limit")
LAYOUT_KEYS = tuple(field.name for field in dataclasses.fields(Layout))
# Every section that a design file can have; those after "frames" say how to judge, and are read elsewhere.
SECTIONS = (*STAGES, "frames", "clips", "sweep", "targets", "tolerance", "judging", "viewing", "measured")
# What version 0.1 called it.
# (section, key of 0.1) → key of today.
OLD_KEYS = {("rectifier", "rest_v"): "reference_node_v"}
# (section, key of today, choice of 0.1) → choice of today.
OLD_CHOICES = {("rectifier", "reference", "foot"): "node"}
# What 0.2 knew of the amplifier of a rectifier that was otherwise ideal.
OLD_AMPLIFIER_KEYS = ("gain_bandwidth_hz", "slew_v_per_s", "amplifier_drop_v")


def read_design(path: str | Path) -> Chain:
    """Read the board of a design file.

    Parameters
    ----------
    path : path
        A TOML file; sections and keys left out keep their default values. A file without [follower] is
        read as one whose frames show the moving mean of all their readings.

    Returns
    -------
    Chain

    Raises
    ------
    FileError
        One line, for a file that is missing, no TOML, or has a key or value that cannot be.

    Examples
    --------
    >>> from envlab import read_design
    >>> from envlab.shipped import demo_design
    >>> read_design(demo_design()).adc.bits
    10
    """
    return chain_of(read_toml(path), Path(path).name)


def chain_of(tables: Mapping[str, Any], file_name: str) -> Chain:
    """Return the Chain of a design file's tables; sections that describe no stage are only known by name."""
    for line in old_names(tables):
        raise FileError(f"{file_name}: {line}")
    for section in tables:
        if section not in SECTIONS:
            raise FileError(f"{file_name} has an unknown section {section!r}; {nearest(section, SECTIONS)}")
    usual = usual_board()
    stages: dict[str, Any] = {"supply": usual.supply}
    for section, stage in STAGES.items():
        if section in tables:
            where, key = f"{file_name}: [{section}]", chosen_by(section)
            stages[section] = stage_of(tables[section], stage, where, getattr(usual, section), key)
    # What was measured on a board cannot be bought.
    for section, keys in BOUGHT.items() if "measured" not in tables else ():
        for key in keys:
            if key in tables.get(section, {}):
                check_buyable(key, getattr(stages[section], key), f"{file_name}: [{section}]")
    where = f"{file_name}: [frames]"
    frames = fields_of(tables.get("frames", {}), Chain, where, only=FRAME_KEYS)
    if "follower" not in tables:
        stages["follower"] = all_readings(frames.get("frame_rate_hz", usual.frame_rate_hz))
    try:
        chain = Chain(**stages, **frames)
        chain.check_sending()
        return chain
    except ParameterError as problem:
        place = where if problem.name in FRAME_KEYS else f"{file_name}:"
        place = f"{file_name}: [layout]" if problem.name in LAYOUT_KEYS else place
        raise FileError(f"{place} {problem}") from None


def usual_board() -> Chain:
    """Return the board that a design file without any section is: the follower apart, which all_readings is.

    Who builds a Supply says its limit and gets it. Who writes a file copies a number from a data sheet: there
    the margin is taken off, and for a controller of which nothing is said its usual current.
    """
    return Chain(supply=Supply(margin=USUAL_MARGIN, controller_a=None))


def all_readings(frame_rate_hz: float) -> MovingMean:
    """Return what the light follows where a file does not say: the mean of all readings of a frame (Hz)."""
    # A rate that cannot be is refused by the chain, which names it.
    return MovingMean(1 / frame_rate_hz) if frame_rate_hz > 0 else MovingMean()


def old_names(tables: Mapping[str, Any]) -> Iterator[str]:
    """Yield one line for each name of 0.1 in a design file's tables, as "[rectifier] rest_v is now …"."""
    swept = tables.get("sweep")
    places = [(f"[{section}]", section, table) for section, table in tables.items()]
    if isinstance(swept, Mapping):
        places += [(f"[sweep.{section}]", section, table) for section, table in swept.items()]
    for where, section, table in places:
        if isinstance(table, Mapping):
            yield from _old_in(where, section, table)
            if section == "rectifier":
                yield from _old_amplifier(where, table, tables.get("rectifier"))


def _old_in(where: str, section: str, table: Mapping[str, Any]) -> Iterator[str]:
    for key, value in table.items():
        if (section, key) in OLD_KEYS:
            yield f"{where} {key} is now {OLD_KEYS[section, key]}"
        for choice in value if isinstance(value, list) else [value]:
            if isinstance(choice, str) and (section, key, choice) in OLD_CHOICES:
                yield f'{where} {key} = "{choice}" is now {key} = "{OLD_CHOICES[section, key, choice]}"'


def _old_amplifier(where: str, table: Mapping[str, Any], rectifier: Any) -> Iterator[str]:
    topology = rectifier.get("topology", "ideal") if isinstance(rectifier, Mapping) else "ideal"
    forms = STAGES["rectifier"]
    if isinstance(forms, dict) and forms.get(str(topology)) is Rectifier:
        for key in OLD_AMPLIFIER_KEYS:
            if key in table:
                with_amplifiers = ", ".join(
                    name for name, form in forms.items() if issubclass(form, ActiveRectifier)
                )
                yield f"{where} {key} needs a topology with amplifiers: topology = one of {with_amplifiers}"


def chosen_by(section: str) -> str:
    """Return the key that says which form of a stage a section describes."""
    return CHOSEN_BY.get(section, "kind")


def stage_of(
    table: Any, stage: type | dict[str, type], where: str, default: Any, chosen: str = "kind"
) -> Any:
    """Return one stage from its table; keys left out are those of the default stage, if it is of that kind.

    where names file and section in errors. chosen: the key that says which form it is.
    """
    if not isinstance(table, Mapping):
        raise FileError(f"{where} is {table!r}; it must be a section with keys")
    values = dict(table)
    if isinstance(stage, dict):
        stated = values.pop(chosen, None)
        kind = kind_of(default, stage) if stated is None else stated
        if not isinstance(kind, str) or kind not in stage:
            raise FileError(f"{where} {chosen} is {kind!r}; it must be one of {', '.join(stage)}")
        known = vars(default) if type(default) is stage[kind] else {}
        implied = {} if stated is None else IMPLIED.get(kind, {})
        if implied and values.get("diode", "none") == "none":
            raise FileError(
                f"{where} diode is 'none'; it must be one of {', '.join(DIODE_CLASSES)} for {kind}"
            )
        made: Any = build(stage[kind], {**known, **implied, **fields_of(values, stage[kind], where)}, where)
        if stated is not None and kind_of(made, stage) != stated:
            raise FileError(
                f"{where} {chosen} is {stated!r}; with these values it must be {kind_of(made, stage)!r}"
            )
        return made
    known = vars(default) if type(default) is stage else {}
    return build(stage, {**known, **fields_of(values, stage, where)}, where)


def kind_of(part: Any, stage: Mapping[str, type]) -> str:
    """Return the name under which a stage's form stands among its forms, as a design file says it."""
    own = str(getattr(part, "topology", ""))
    return own if own in stage else next(kind for kind, cls in stage.items() if type(part) is cls)


def check_buyable(key: str, value: Any, where: str) -> None:
    """Raise FileError if a resistance or capacitance is in no E series; other keys pass."""
    unit = unit_of(key)
    if unit not in ("ohm", "F") or value is None:
        return
    near = [nearest_value(series, value) for series in ("E24", "E192")]
    if not any(abs(part / value - 1) < 1e-6 for part in near):
        choice = " or ".join(format_value(part, unit) for part in near)
        raise FileError(
            f"{where} {key} is {format_value(value, unit)}; it must be in an E series, such as {choice}"
        )


def with_parts(source_text: str, parts: Mapping[str, float | str]) -> str:
    """Return a design file's text with some values replaced, comments and order kept.

    parts: "section.key" → SI value or text, as in {"detector.attack_ohm": 4700.0}.
    """
    document = tomlkit.parse(source_text)
    for name, value in parts.items():
        section, key = name.split(".")
        if section not in document:
            document[section] = tomlkit.table()
        table: Any = document[section]
        table[key] = written_value(key, value)
        kinds, chooser = STAGES[section], CHOSEN_BY.get(section, "kind")
        if key == chooser and isinstance(kinds, dict):
            # What only the kind before had would be refused.
            known = {chooser, *(field.name for field in dataclasses.fields(kinds[str(value)]))}
            for lost in [other for other in table if other not in known]:
                del table[lost]
    return tomlkit.dumps(document)


def written_value(key: str, value: float | str) -> float | str:
    """Return a value as a design file shows it: "4k7" if that reads back exactly, else the number in SI."""
    unit = unit_of(key)
    if isinstance(value, str) or unit not in ("ohm", "F"):
        return value
    text = format_value(value, unit)
    return text if parse_value(text, unit) == value else value


def design_text(chain: Chain) -> str:
    """Return a whole Chain as a design file, every value written out; read_design gives an equal Chain.

    A board whose pixels are all alike has no section on their layout.
    """
    document = tomlkit.document()
    for section, stage in STAGES.items():
        part = getattr(chain, section)
        if part == Layout():
            continue
        table = tomlkit.table()
        if isinstance(stage, dict):
            table[chosen_by(section)] = kind_of(part, stage)
        for name in stated_fields(part):
            table[name] = written_field(part, name)
        document[section] = table
    frames = tomlkit.table()
    for key in FRAME_KEYS:
        frames[key] = written_field(chain, key)
    document["frames"] = frames
    return tomlkit.dumps(document)


def stated_fields(part: Any) -> tuple[str, ...]:
    """Return the fields of a stage that a design file states: of a layout those that its kind has."""
    return part.keys if isinstance(part, Layout) else tuple(field.name for field in dataclasses.fields(part))


def written_field(part: Any, name: str) -> Any:
    """Return one field of a stage as a design file shows it, in SI or as "4k7"; "none" for None."""
    value = getattr(part, name)
    if value is None:
        return "none"
    if isinstance(value, tuple):
        return [list(one) if isinstance(one, tuple) else float(one) for one in value]
    hint = typing.get_type_hints(type(part))[name]
    is_float = float in (typing.get_args(hint) or (hint,))
    return written_value(name, float(value) if is_float else value)


def digest(chain: Chain) -> str:
    """Return 12 hexadecimal digits that stand for every value of the chain (SHA-256 of design_text)."""
    return hashlib.sha256(design_text(chain).encode()).hexdigest()[:12]
