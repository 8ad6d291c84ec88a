"""The schema of design files accepts what the reader accepts, and refuses what it refuses by type or range.

Judged by jsonschema, a general-purpose validator that knows nothing of this project.
"""

from __future__ import annotations

import copy
import dataclasses
import json
import math
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest

import envlab
from envlab.chain import Chain
from envlab.design_file import FRAME_KEYS, STAGES, chain_of, design_text
from envlab.errors import FileError, ParameterError
from envlab.study.specification.design_schema import (
    design_schema,
    parameters_of,
    schema_text,
    value_pattern,
)
from envlab.study.specification.field_limits import limits_of
from envlab.study.specification.specification import read_specification
from envlab.units import UNIT_NAMES, UNIT_OF_SUFFIX, parse_value

CHECKOUT = Path(__file__).resolve().parents[3]
PACKAGE = CHECKOUT / "envlab"
SCHEMA = design_schema()
CHECKER = jsonschema.Draft202012Validator(SCHEMA)
TABLES = tomllib.loads((PACKAGE / "demos" / "lantern_parade.toml").read_text(encoding="utf-8"))
DESIGN_FILES = [
    path
    for path in sorted(CHECKOUT.rglob("*.toml"))
    if path.name != "pyproject.toml" and not any(part.startswith(".") for part in path.parts[1:])
]


def accepted(tables) -> bool:
    return CHECKER.is_valid(tables)


def read_whole(tables, folder: Path) -> str:
    """Return the error of the whole reader, "" for none."""
    import tomlkit

    path = folder / "mine.toml"
    path.write_text(tomlkit.dumps(tables), encoding="utf-8")
    try:
        read_specification(path)
    except FileError as problem:
        return str(problem)
    return ""


def test_it_is_a_schema_of_its_dialect():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def test_the_file_that_is_shipped_is_made_of_it():
    shipped = (PACKAGE / "design_schema.json").read_text(encoding="utf-8")
    assert shipped == schema_text(), "write it anew: envlab schema --out envlab/design_schema.json --force"
    assert json.loads(shipped) == envlab.design_schema()


@pytest.mark.parametrize("path", DESIGN_FILES, ids=lambda path: path.name)
def test_every_design_file_in_the_tree_is_accepted(path):
    problems = list(CHECKER.iter_errors(tomllib.loads(path.read_text(encoding="utf-8"))))
    assert [f"{one.json_path}: {one.message}" for one in problems] == []


def test_there_are_design_files():
    assert "lantern_parade.toml" in {path.name for path in DESIGN_FILES}


@pytest.mark.parametrize("stage", sorted(STAGES))
def test_every_form_of_every_stage_written_out_is_accepted(stage):
    """What design_text writes of a board, value by value, for each kind that has its values by default."""
    usual = Chain()
    forms = STAGES[stage].values() if isinstance(STAGES[stage], dict) else [STAGES[stage]]
    written = 0
    for form in forms:
        if form is type(getattr(usual, stage)):
            part = getattr(usual, stage)
        elif any(field.default is dataclasses.MISSING for field in dataclasses.fields(form)):
            part = form(**{field.name: 10e3 if field.name.endswith("ohm") else 1e-7 if
                           field.name.endswith("farad") else 0.1 for field in dataclasses.fields(form)
                           if field.default is dataclasses.MISSING})  # fmt: skip
        else:
            part = form()
        text = design_text(dataclasses.replace(usual, **{stage: part}))
        assert accepted(tomllib.loads(text)), text
        written += 1
    assert written == len(forms)


# ------------------------------------------------------------------ values that are refused by type or range


def wrong_values(form: dict):
    """Yield values that lie outside a key's schema: the wrong type, beyond each end, no choice."""
    for one in form.get("anyOf", [form]):
        if one.get("type") in ("number", "integer"):
            if "minimum" in one:
                yield one["minimum"] - (
                    1 if one["type"] == "integer" else max(1e-15, abs(one["minimum"]) * 1e-3)
                )
            if "exclusiveMinimum" in one:
                yield one["exclusiveMinimum"]
            if "maximum" in one:
                yield one["maximum"] + (1 if one["type"] == "integer" else abs(one["maximum"]) * 1e-3 or 1e-9)
            if one["type"] == "integer":
                yield 2.5
            yield True
    yield [1.0]
    yield {"value": 1}
    yield "no such thing"


def forms_of(section: str) -> list[dict]:
    schema = SCHEMA["properties"][section]
    return schema.get("anyOf", [schema])


CASES = [
    (section, number, key)
    for section in (*STAGES, "frames", "judging", "viewing", "tolerance")
    for number, form in enumerate(forms_of(section))
    for key in form["properties"]
    if key != "kind" or len(forms_of(section)) == 1
    if key not in ("temperature_c", "supply_v", "parts_percent", "deviations") or section != "tolerance"
]


def part_tables(section: str, form: dict) -> dict:
    """Tables of the parade with one section as empty as this form may be."""
    tables = {name: table for name, table in TABLES.items() if name not in ("clips", "sweep", "targets")}
    needed = {}
    for key in form.get("required", []):
        value = form["properties"][key]
        needed[key] = value["const"] if "const" in value else 10e3 if key.endswith("ohm") else 1e-7
    if section == "brightness":
        needed = {"floor_db_spl": 66.0, "ceiling_db_spl": 102.0}
    if section == "adc":
        needed = {"rate_hz": 1000.0}
    if section == "detector" and "smoothing_ohm" in form["properties"]:
        # What the parade's rectifier gives, only a peak detector can take.
        tables["rectifier"] = {"topology": "ideal"}
    return tables | {section: needed}


@pytest.mark.parametrize(("section", "number", "key"), CASES)
def test_each_bad_value_is_refused_by_reader_and_schema(section, number, key, tmp_path):
    form = forms_of(section)[number]
    good = part_tables(section, form)
    assert accepted(good)
    assert read_whole(good, tmp_path) == ""
    tried = 0
    for value in wrong_values(form["properties"][key]):
        bad = copy.deepcopy(good)
        bad[section][key] = value
        said = read_whole(bad, tmp_path)
        assert said.startswith("mine.toml: ["), (value, said)
        assert "\n" not in said
        assert not accepted(bad), (value, said)
        tried += 1
    assert tried >= 3


@pytest.mark.parametrize(
    ("section", "table"),
    [
        ("adc", {"bitz": 10}),
        ("adc", 3),
        ("microphone", {"kind": "laser"}),
        ("follower", {"kind": "one_pole"}),
        ("detector", {"kind": "peak", "smoothing_ohm": 1e3}),
        ("nothing", {}),
        ("frames", {"frames_hz": 100}),
        ("clips", {"file": "drum_line.flac", "levels_db_spl": [72]}),
        ("clips", [{"file": "drum_line.flac"}]),
        ("clips", [{"file": "drum_line.flac", "levels_db_spl": []}]),
        ("clips", [{"file": "drum_line.flac", "levels_db_spl": [141]}]),
        ("clips", [{"file": "drum_line.flac", "levels_db_spl": ["loud"]}]),
        ("clips", [{"file": "drum_line.flac", "levels_db_spl": [72], "level_uncertainty_db": 21}]),
        ("clips", [{"file": "drum_line.flac", "levels_db_spl": [72], "tags": ["loud"]}]),
        ("clips", [{"file": "drum_line.flac", "levels_db_spl": [72], "weighting": "B"}]),
        ("clips", [{"file": "drum_line.flac", "levels_db_spl": [72], "level": 3}]),
        ("sweep", {"pixels": {"count": [1, 2]}}),
        ("sweep", {"detector": {"attack": [1e3]}}),
        ("sweep", {"detector": {"attack_ohm": []}}),
        ("sweep", {"detector": {"attack_ohm": [1e3, 1e3]}}),
        ("sweep", {"detector": {"attack_ohm": "1k"}}),
        ("sweep", {"detector": {"attack_ohm": {"series": "E7", "low": "1k", "high": "9k"}}}),
        ("sweep", {"detector": {"attack_ohm": {"series": "E6", "low": "1k"}}}),
        ("sweep", {"detector": {"attack_ohm": {"series": "E6", "low": "1k", "high": "10x"}}}),
        ("sweep", {"detector": {"attack_ohm": {"series": "E6", "low": "1k", "high": "9k", "step": 2}}}),
        ("targets", {"loudness": {"at_most": 1, "scale": 1}}),
        ("targets", {"ripple_db": {"at_most": 1}}),
        ("targets", {"ripple_db": {"at_most": 1, "at_least": 0, "scale": 1}}),
        ("targets", {"ripple_db": {"at_most": 1, "scale": 0}}),
        ("targets", {"flashes_per_s": {"at_most": 4, "scale": 1}}),
        ("targets", {"flashes_per_s": {"at_least": 1, "scale": 1}}),
        ("tolerance", {"temperature_c": [20]}),
        ("tolerance", {"temperature_c": [-41, 20]}),
        ("tolerance", {"supply_v": [3.2, 61]}),
        ("tolerance", {"parts_percent": {"C3": 51}}),
        ("judging", {"seed": -1}),
        ("viewing", {"distance_m": 0}),
        ("viewing", {"width_m": 10.1}),
    ],
)
def test_each_bad_section_is_refused_by_reader_and_schema(section, table, tmp_path):
    tables = copy.deepcopy(TABLES) | {section: table}
    assert read_whole(tables, tmp_path)
    assert not accepted(tables)


# ------------------------------------------------------------------ written values, limits, docstrings


@pytest.mark.parametrize("unit", sorted(set(UNIT_OF_SUFFIX.values())))
@pytest.mark.parametrize(
    "text",
    [
        *["4k7", "100n", "R47", "4R7", "1e3", "-3", "+.5", "47", "4.7k", "k5", "4k7k", "k", "1e", "4.7k3"],
        "2.2 u",
        "4 7",
        "",
    ],
)
@pytest.mark.parametrize("named", ["", " ", "unit", "X"])
def test_a_written_value_is_taken_by_both_or_by_none(unit, text, named):
    written = text + (UNIT_NAMES[unit][0] if named == "unit" else named)
    try:
        parse_value(written, unit)
        read = True
    except ParameterError:
        read = False
    assert bool(re.search(value_pattern(unit), written)) == read


def test_limits_that_hang_on_another_value_are_left_open():
    adc = limits_of(type(Chain().adc))
    assert (adc["bits"].low, adc["bits"].high) == (6, 16)
    assert (adc["sampling_s"].low, adc["sampling_s"].high) == (1e-9, math.inf)
    assert limits_of(type(Chain().preamp))["bias_v"].high == math.inf


def test_a_docstring_gives_its_parameters():
    told = parameters_of(
        """Do it.

        Parameters
        ----------
        low_hz, high_hz : float
            Corners,
            Hz.
        name : str

        Returns
        -------
        float
        """
    )
    assert told == {"low_hz": "Corners, Hz.", "high_hz": "Corners, Hz.", "name": ""}


def test_keys_of_frames_are_those_of_the_reader():
    assert tuple(SCHEMA["properties"]["frames"]["properties"]) == tuple(
        field.name for field in dataclasses.fields(Chain) if field.name in FRAME_KEYS
    )
    assert chain_of({"frames": {"frame_rate_hz": 50.0}}, "mine.toml").frame_rate_hz == 50.0
