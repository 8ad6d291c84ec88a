"""Both sides of every limit that the schema of design files states, read as a file of that one value.

What the schema says is what whoever writes a file goes by. At a limit the value is read, or refused because
of another one; next to it, it is refused by its own name.
"""

from __future__ import annotations

import json
import math
import re
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomlkit

from envlab import design_file
from envlab.errors import EnvlabError, EnvlabWarning
from envlab.study.specification.specification import read_specification

SCHEMA = json.loads((Path(design_file.__file__).parent / "design_schema.json").read_text(encoding="utf-8"))
# Of these a key is a name, or a file has to be there.
NAMED = {"clips", "sweep", "targets", "measured"}
SECTIONS = sorted(SCHEMA["properties"].keys() - NAMED)
OF_A_DIODE = ("saturation_a", "emission", "series_ohm", "bandgap_ev", "leakage_ohm")
# Some value for what has no usual one, by its unit.
SOME = {"ohm": 10e3, "farad": 1e-8, "s": 0.01}
# Ranges that other values of the file make narrower than the schema can say: bits that a pixel has left, and
# diodes of a rectifier that has one.
NARROWER = {("frames", "dither_bits"), ("rectifier", "diodes_in_path")}


def kinds(section: str) -> list[dict[str, Any]]:
    """Return the schemas of the kinds that a section can be of."""
    spec = SCHEMA["properties"][section]
    return list(spec.get("anyOf", [spec]))


def limits(kind: dict[str, Any]) -> Iterator[tuple[str, float, float]]:
    """Yield key, limit and the next number beyond it."""
    for key, spec in kind["properties"].items():
        for form in spec.get("anyOf", [spec]):
            for side, towards in (("minimum", -math.inf), ("maximum", math.inf)):
                if side in form and form["type"] == "integer":
                    yield key, form[side], form[side] + (1 if towards > 0 else -1)
                elif side in form:
                    yield key, float(form[side]), float(np.nextafter(form[side], towards))


def others_than(key: str, kind: dict[str, Any]) -> dict[str, Any]:
    """Return what else the section must have: its kind, and what has no usual value."""
    fixed = {name: spec["const"] for name, spec in kind["properties"].items() if "const" in spec}
    needed = {name for name in kind.get("required", ()) if name not in fixed}
    diode = {"diode": "silicon"} if key in OF_A_DIODE and "diode" in kind["properties"] else {}
    return diode | {name: SOME[name.rsplit("_", 1)[-1]] for name in needed} | fixed


def refusal(path: Path, section: str, values: dict[str, Any]) -> str:
    """Return the line that a file of one section is refused with, empty if it is read."""
    path.write_text(tomlkit.dumps({section: values}), encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EnvlabWarning)
        try:
            read_specification(path)
        except EnvlabError as problem:
            return str(problem)
    return ""


@pytest.mark.parametrize("section", SECTIONS)
def test_limits_of_the_schema_are_where_it_says(tmp_path: Path, section: str) -> None:
    path = tmp_path / "one.toml"
    for kind in kinds(section):
        for key, limit, beyond in limits(kind):
            if (section, key) in NARROWER:
                continue
            others = others_than(key, kind)
            at = refusal(path, section, others | {key: limit})
            # Of the range of this key alone: no other value is named in what it must be.
            own = rf"\] {key} is {re.escape(str(limit))}; it must be (a whole number )?from \S+ to \S+"
            assert not re.search(own + r"( \S+){0,2}$", at), at
            there = refusal(path, section, others | {key: beyond})
            assert f"[{section}] {key} is " in there, (key, beyond, there)


def test_there_are_limits_enough() -> None:
    tried = [limit for section in SECTIONS for kind in kinds(section) for limit in limits(kind)]
    assert len(tried) > 600
