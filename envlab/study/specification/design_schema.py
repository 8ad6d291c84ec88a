"""A JSON Schema of design files, made from the dataclasses that they describe.

Keys, defaults and choices are those of the dataclasses, limits those of their own checks (field_limits.py),
descriptions those of their docstrings. What a schema cannot say stays with the reader: that a part is in an E
series, that two values fit together, that "4k7" lies within its limits.
"""

from __future__ import annotations

import dataclasses
import inspect
import json
import math
import re
import types
import typing
from pathlib import Path
from typing import Any

from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.design_file import FRAME_KEYS, STAGES, chosen_by, usual_board
from envlab.errors import Limit
from envlab.light.colour import HEX_COLOUR
from envlab.light.costume_colour import CostumeColour
from envlab.light.viewing import Viewing
from envlab.metrics.catalogue import FLASH_METRIC, METRICS
from envlab.sound.clip import TAGS, Clip
from envlab.study.specification.field_limits import limits_of
from envlab.study.specification.ranges import SWEEPABLE
from envlab.study.specification.specification import Judging
from envlab.study.specification.targets import FLASH_LIMIT
from envlab.study.tolerance.tolerances import Tolerances
from envlab.units import UNIT_NAMES, UNIT_OF_SUFFIX, unit_of

Schema = dict[str, Any]

_LEVEL = r"^\s*[+-]?(\d+(\.\d*)?|\.\d+)\s*([dD][bB]\s*([sS][pP][lL]|\(?[zZaAcC]\)?)?)?\s*$"
_DIALECT = "https://json-schema.org/draft/2020-12/schema"
# A heading of a docstring's parameter: one name or more, a colon, its type.
_HEADING = re.compile(r"^(\w+(?:, \w+)*) : ")


def design_schema() -> Schema:
    """Return the JSON Schema of design files, by which an editor completes and checks them.

    Returns
    -------
    dict
        Draft 2020-12, ready for json.dump. Units stand in the descriptions.

    References
    ----------
    [JSONSchema2020-12] The dialect.

    Examples
    --------
    >>> import envlab
    >>> schema = envlab.design_schema()
    >>> schema["properties"]["adc"]["properties"]["bits"]["maximum"]
    16
    """
    usual = usual_board()
    sections: Schema = {
        name: _stage_schema(stage, getattr(usual, name), chosen_by(name)) for name, stage in STAGES.items()
    }
    sections["colour"] = _colour_schema()
    sections["frames"] = _part_schema(Chain, usual, only=FRAME_KEYS)
    sections["clips"] = {"type": "array", "items": _clip_schema()}
    sections["sweep"] = _sweep_schema()
    sections["targets"] = _targets_schema()
    sections["tolerance"] = _tolerance_schema()
    sections["judging"] = _part_schema(Judging, Judging())
    sections["viewing"] = _part_schema(Viewing, Viewing())
    sections["measured"] = _measured_schema()
    return {
        "$schema": _DIALECT,
        "title": "Design file of envlab",
        "description": "A board, the sounds that it hears, the parts to try, and what is asked of its light.",
        "$defs": _definitions(),
    } | _section(sections)


def schema_text() -> str:
    """Return the schema as the text of design_schema.json, which comes with envlab; a line a section."""
    whole = design_schema()
    sections = _one_a_line(whole.pop("properties"))
    return _one_a_line(whole)[:-2] + f',\n"properties": {sections}\n}}\n'


def _one_a_line(values: Schema) -> str:
    lines = [f"{json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}" for key, value in values.items()]
    return "{\n" + ",\n".join(lines) + "\n}"


def _section(properties: Schema, required: tuple[str, ...] = ()) -> Schema:
    found: Schema = {"type": "object", "properties": properties, "additionalProperties": False}
    return found | ({"required": list(required)} if required else {})


def _stage_schema(stage: type | dict[str, type], usual: Any, chosen: str) -> Schema:
    if not isinstance(stage, dict):
        return _part_schema(stage, usual if type(usual) is stage else None)
    forms = []
    for cls in dict.fromkeys(stage.values()):
        # A form may stand under several names; which one its values then say.
        names = [kind for kind, form in stage.items() if form is cls]
        is_usual = type(usual) is cls
        form = _part_schema(cls, usual if is_usual else None)
        name: Schema = {"const": names[0]} if len(names) == 1 else {"enum": names}
        form["properties"] = {chosen: name} | form["properties"]
        if not is_usual:
            form["required"] = [chosen, *form.get("required", [])]
        forms.append(form)
    return {"anyOf": forms}


def _part_schema(kind: type, usual: Any, only: tuple[str, ...] | None = None) -> Schema:
    """One section; usual: the part whose values stand where a key is left out, None for none."""
    known = vars(usual) if usual is not None else {}
    limits = limits_of(kind, known)
    hints, told = typing.get_type_hints(kind), field_descriptions(kind)
    properties, required = {}, []
    for field in dataclasses.fields(kind):
        if only is not None and field.name not in only:
            continue
        limit = limits.get(field.name, Limit(field.name))
        one = value_schema(field.name, hints[field.name], limit)
        default = known.get(field.name, field.default)
        if default is dataclasses.MISSING:
            required.append(field.name)
        elif default is None or isinstance(default, int | float | str):
            one["default"] = "none" if default is None else default
        unit = f"In {limit.unit}." if limit.unit else ""
        words = " ".join(word for word in (told.get(field.name, ""), unit) if word)
        properties[field.name] = ({"description": words} if words else {}) | one
    about = _first_line(kind)
    return {"description": about} | _section(properties, tuple(required))


def value_schema(key: str, hint: Any, limit: Limit) -> Schema:
    """Return what one value can be: a number within its limits, "4k7" where it has a unit, or a choice."""
    options = typing.get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
    forms: list[Schema] = [_listed(key, one, limit) for one in options if typing.get_origin(one) is tuple]
    if float in options or int in options:
        forms.append({"type": "number" if float in options else "integer"} | _ends(limit))
    unit = unit_of(key)
    if float in options and unit is not None:
        forms.append({"$ref": f"#/$defs/{unit}"})
    if str in options or typing.get_origin(hint) is typing.Literal:
        choices = limit.choices or (() if str in options else typing.get_args(hint))
        forms.append({"enum": list(choices)} if choices else {"type": "string"})
    if type(None) in options:
        forms.append({"const": "none"})
    return forms[0] if len(forms) == 1 else {"anyOf": forms}


def _listed(key: str, hint: Any, limit: Limit) -> Schema:
    """Two numbers; points, which are two or more such pairs; or two numbers or more within their limits."""
    pair = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
    first, *others = typing.get_args(hint)
    if Ellipsis not in others:
        return pair
    item = pair if typing.get_origin(first) is tuple else value_schema(key, first, limit)
    return {"type": "array", "items": item, "minItems": 2}


def _definitions() -> Schema:
    written = {unit: _written(unit) for unit in UNIT_OF_SUFFIX.values()}
    ranges = {f"{unit}_range": _range_schema(ending) for ending, unit in UNIT_OF_SUFFIX.items()}
    return written | ranges | {"number_range": _range_schema("")}


def _written(unit: str) -> Schema:
    about = f"A value in {unit} as the trade writes it; its limits are checked when the file is read."
    return {"type": "string", "pattern": value_pattern(unit), "description": about}


def value_pattern(unit: str) -> str:
    """Return the regular expression of a value with this unit, written as the trade does: "4k7", "2.2 uF"."""
    letters = "pnuµμmRkKMG" if unit == "ohm" else "pnuµμmkKMG"
    number = rf"(\d+(\.\d+)?([eE][+-]?\d+)?\s*[{letters}]?|\.\d+\s*[{letters}]?|\d*[{letters}]\d+)"
    return rf"^\s*[+-]?{number}\s*({'|'.join(UNIT_NAMES[unit])})?\s*$"


def _measured_schema() -> Schema:
    about = "A board that exists: its parts were measured, and need be in no E series."
    texts = {
        "capture": {"type": "string", "description": "What the values were fitted to."},
        "way": {"enum": ["wire", "acoustic"], "description": "How the bench signal was put in."},
    }
    return {"description": about} | _section(texts)


def _ends(limit: Limit) -> Schema:
    ends: Schema = {}
    if math.isfinite(limit.low):
        ends["exclusiveMinimum" if limit.above else "minimum"] = limit.low
    if math.isfinite(limit.high):
        ends["maximum"] = limit.high
    return ends


def _clip_schema() -> Schema:
    asked, told = (
        limits_of(Clip, {"source": Path("song.flac"), "level_db_spl": 92.0}),
        field_descriptions(Clip),
    )
    level = {
        "anyOf": [
            {"type": "number"} | _ends(asked["level_db_spl"]),
            {"type": "string", "pattern": _LEVEL, "description": 'As the trade writes it: "92 dB(A)".'},
        ]
    }
    levels = {"type": "array", "items": level, "minItems": 1, "description": told["level_db_spl"]}
    file = {"type": "string", "minLength": 1, "description": "Beside the design file, or a demo clip."}
    tags = {"type": "array", "items": {"enum": list(TAGS)}, "description": told["tags"]}
    weighting = {"enum": list(asked["weighting"].choices), "description": told["weighting"]}
    uncertainty = {"type": "number", "default": 0.0, "description": told["level_uncertainty_db"]}
    properties = {
        "file": file,
        "levels_db_spl": levels,
        "level_uncertainty_db": uncertainty | _ends(asked["level_uncertainty_db"]),
        "tags": tags,
        "weighting": weighting,
    }
    return _section(properties, ("file", "levels_db_spl"))


def _sweep_schema() -> Schema:
    sections = {}
    for name in SWEEPABLE:
        stage = STAGES[name]
        kinds = tuple(stage.values()) if isinstance(stage, dict) else (stage,)
        keys: Schema = {}
        for kind in kinds:
            hints = typing.get_type_hints(kind)
            for field in dataclasses.fields(kind):
                keys[field.name] = _choices_schema(field.name, hints[field.name])
        if isinstance(stage, dict) and chosen_by(name) == "kind":
            names = {"enum": list(stage)}
            keys["kind"] = {"type": "array", "items": names, "minItems": 1, "uniqueItems": True}
        sections[name] = _section(keys)
    return _section(sections)


def _choices_schema(key: str, hint: Any) -> Schema:
    listed = {
        "type": "array",
        "items": value_schema(key, hint, Limit(key)),
        "minItems": 1,
        "uniqueItems": True,
    }
    unit = unit_of(key) or "number"
    return {"anyOf": [listed, {"$ref": f"#/$defs/{unit}_range"}]}


def _range_schema(ending: str) -> Schema:
    """All values of a series, of a part whose key has this ending."""
    asked = limits_of(PartRange, {"series": "E6", "low": 1.0, "high": 10.0})
    value = value_schema(ending, float, Limit(ending))
    series = value_schema("series", str, asked["series"])
    percent = value_schema("tolerance_percent", float, asked["tolerance_percent"])
    of_series = {"series": series, "low": value, "high": value, "tolerance_percent": percent}
    return _section(of_series, ("series", "low", "high"))


def _targets_schema() -> Schema:
    properties: Schema = {}
    for metric, entry in METRICS.items():
        scale = {"type": "number", "exclusiveMinimum": 0}
        limit: Schema = {"type": "number"}
        sides = ["at_most", "at_least"]
        if metric == FLASH_METRIC:
            limit, sides = limit | {"maximum": FLASH_LIMIT}, ["at_most"]
        forms = [_section({side: limit, "scale": scale}, (side, "scale")) for side in sides]
        words = entry.says[0].upper() + entry.says[1:] + "." + (f" In {entry.unit}." if entry.unit else "")
        properties[metric] = {"description": words} | (forms[0] if len(forms) == 1 else {"anyOf": forms})
    return _section(properties)


def _tolerance_schema() -> Schema:
    schema = _part_schema(Tolerances, Tolerances())
    asked = limits_of(Tolerances, {"supply_v": (3.2, 3.4), "parts_percent": {"C3": 5.0}})
    percent = {"type": "number"} | _ends(asked["parts_percent"])
    own: dict[str, Schema] = {
        "parts_percent": {"type": "object", "additionalProperties": percent},
        "deviations": {"type": "object", "additionalProperties": {"type": "number", "minimum": 0}},
    }
    for key in ("temperature_c", "supply_v"):
        end = value_schema(key, float, asked[key])
        own[key] = {"type": "array", "items": end, "minItems": 2, "maxItems": 2}
    for key, form in own.items():
        about = schema["properties"][key].get("description")
        schema["properties"][key] = ({"description": about} if about else {}) | form
    return schema


def _colour_schema() -> Schema:
    """The section as its dataclass has it, with how a colour is written."""
    schema = _part_schema(CostumeColour, CostumeColour())
    for key in ("full", "dim"):
        schema["properties"][key]["anyOf"][0]["pattern"] = rf"^\s*{HEX_COLOUR}\s*$"
    return schema


def field_descriptions(kind: type) -> dict[str, str]:
    """Return what the docstrings of a dataclass and its bases say of each field, under "Parameters"."""
    found: dict[str, str] = {}
    for cls in reversed(kind.__mro__):
        found |= parameters_of(cls.__doc__ or "")
    return found


def parameters_of(docstring: str) -> dict[str, str]:
    """Return the parameters that a numpydoc docstring names, and what it says of each."""
    lines = inspect.cleandoc(docstring).splitlines()
    starts = [n for n, line in enumerate(lines[:-1]) if line == "Parameters" and set(lines[n + 1]) == {"-"}]
    if not starts:
        return {}
    found: dict[str, list[str]] = {}
    names: list[str] = []
    for line, below in zip(lines[starts[0] + 2 :], [*lines[starts[0] + 3 :], ""], strict=True):
        if line and set(below) == {"-"} and len(below) == len(line):
            break
        if line and not line.startswith(" "):
            heading = _HEADING.match(line)
            names = (heading[1] if heading else line).split(", ")
            found |= {name: [] for name in names}
        else:
            for name in names:
                found[name].append(line.strip())
    return {name: " ".join(word for word in words if word) for name, words in found.items()}


def _first_line(kind: type) -> str:
    return inspect.cleandoc(kind.__doc__ or "").split("\n", 1)[0]
