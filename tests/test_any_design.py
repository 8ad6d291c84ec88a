"""Any design file whose values are those that the schema allows: a right board, or one line.

A board of the zoo, of which some sections are replaced by others drawn from the schema of design files: every
kind of stage, every key, values over their whole legal range. What is read must then play (finite, within the
converter, at rest in silence), and everything that is said of a board must be said without a defect.

Longer: pytest --hypothesis-profile explore --hypothesis-seed 1 tests/test_any_design.py
"""

from __future__ import annotations

import json
import math
import tomllib
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import tomlkit
from hypothesis import event, example, given
from hypothesis import strategies as st
from reference.examples import examples
from zoo import ZOO

from envlab import design_file, read_design
from envlab.analog.parts import series_values
from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.design_file import design_text
from envlab.errors import MOST_SAID, EnvlabError, EnvlabWarning
from envlab.metrics.tone_metrics import tone_metrics
from envlab.sound.recording import Recording
from envlab.study.level_diagram import level_diagram
from envlab.study.specification.parts_list import parts_list

SCHEMA = json.loads((Path(design_file.__file__).parent / "design_schema.json").read_text(encoding="utf-8"))
SECTIONS = (
    *("microphone", "preamp", "band_filter", "rectifier", "detector", "hold_capacitor", "adc", "follower"),
    *("brightness", "pixels", "supply", "frames"),
)
DECADE = series_values("E24", 1.0, 10.0)
RATE_HZ = 48_000.0


def number(spec: dict[str, Any], key: str) -> st.SearchStrategy[Any]:
    """Any number that the schema allows, evenly over its decades if there are some; parts as sold."""
    low = spec.get("minimum", spec.get("exclusiveMinimum", -1.0))
    high = spec.get("maximum", max(1.0, 10.0 * abs(low)))
    if spec["type"] == "integer":
        return st.integers(math.ceil(low), math.floor(high))
    plain = st.floats(low, high) if "exclusiveMinimum" not in spec else st.floats(low, high, exclude_min=True)
    least = low if low > 0 else high * 1e-12
    if high > 0 and low >= 0 and high / least > 100:
        over_decades = st.floats(math.log10(least), math.log10(high)).map(lambda power: 10.0**power)
        plain = st.one_of(over_decades, over_decades, plain)
    if key.endswith(("_ohm", "_farad")):
        plain = plain.map(lambda value: as_sold(value, low, high))
    return plain


def as_sold(value: float, low: float, high: float) -> float:
    """The nearest value of E24 within the limits; 0 stays 0."""
    if value <= 0:
        return value
    power = math.floor(math.log10(value))
    # In logarithms: the least numbers there are have no power of ten below them.
    digits = min(DECADE, key=lambda one: abs(math.log10(one) + power - math.log10(value)))
    sold = float(f"{digits:g}e{power}")
    return sold if low <= sold <= high else value


def value(spec: dict[str, Any], key: str) -> st.SearchStrategy[Any]:
    """Any value that the schema allows for a key, besides texts such as "4k7"."""
    if "const" in spec:
        return st.just(spec["const"])
    if "enum" in spec:
        return st.sampled_from(spec["enum"])
    if "anyOf" in spec:
        return st.one_of([value(one, key) for one in spec["anyOf"] if "$ref" not in one])
    if spec["type"] in ("number", "integer"):
        return number(spec, key)
    raise NotImplementedError(f"{key}: {spec}")


@st.composite
def section(draw: st.DrawFn, name: str) -> dict[str, Any]:
    """One section: one kind of the stage, and of its keys those that chance or the schema wants."""
    spec = SCHEMA["properties"][name]
    spec = draw(st.sampled_from(spec["anyOf"])) if "anyOf" in spec else spec
    found = {}
    for key, of_key in spec["properties"].items():
        must = key in spec.get("required", ()) or "const" in of_key or key in ("topology", "kind")
        if must or draw(st.booleans()):
            found[key] = draw(value(of_key, key))
    return found


@st.composite
def designs(draw: st.DrawFn) -> tuple[str, dict[str, dict[str, Any]], float]:
    """A board of the zoo, sections in the place of its own, and how loud it is, dB SPL."""
    replaced = draw(st.lists(st.sampled_from(SECTIONS), max_size=3, unique=True))
    other = {name: draw(section(name)) for name in replaced}
    return draw(st.sampled_from(sorted(ZOO))), other, draw(st.floats(30.0, 140.0))


def text_of(board: str, other: dict[str, dict[str, Any]]) -> str:
    whole = tomllib.loads(design_text(ZOO[board].chain)) | other
    return tomlkit.dumps(whole)


def noise(level_db_spl: float) -> Recording:
    """A twentieth of a second of noise that dies away."""
    wave = np.random.default_rng(16).standard_normal(2400) * np.exp(-np.arange(2400) / 600)
    return Recording(20e-6 * 10 ** (level_db_spl / 20) * wave, RATE_HZ)


def check_line(problem: EnvlabError) -> None:
    line = str(problem)
    assert line
    assert line.isprintable()
    assert len(line) <= MOST_SAID


def check_played(chain: Chain, level_db_spl: float) -> None:
    """Everything along the chain is finite and within its limits; silence stays silence."""
    result = chain.run(noise(level_db_spl))
    for signal in (result.microphone_v, result.preamp_v, result.rectified_v, result.detector_v):
        assert np.isfinite(signal).all()
    assert result.adc_counts.min() >= 0
    assert result.adc_counts.max() <= chain.adc.top_code
    assert np.isfinite(result.envelope_counts).all()
    assert (result.envelope_counts >= 0).all()
    assert result.duty.min() >= 0
    assert result.duty.max() <= chain.duty_limit * (1 + 1e-9)
    codes = result.table.duty_codes
    assert (np.diff(codes) >= 0).all()
    silent = chain.run(Recording(np.zeros(480), RATE_HZ))
    assert np.ptp(silent.adc_counts) <= 1


def check_told(chain: Chain) -> None:
    """What is said of a board has no defect: parts, circuit, levels, warnings, metrics of tones."""
    assert parts_list(chain)
    assert circuit_of(chain).components
    assert all(line.isprintable() for line in chain.design_rule_warnings)
    assert level_diagram(chain, 60.0, 100.0).lines()
    assert tone_metrics([chain])


@examples(12)
@given(designs())
# Found in the profile "explore": at rest it was said to have less than its amplifier gives at its lowest, and
# no more than thirty times what its inverter makes of the first amplifier's offset; and leaky diodes took a
# hold capacitor of a picofarad beyond all numbers, and leakier ones a bridge out of its rest.
@example(
    made=(
        "first band",
        {"rectifier": {"topology": "bridge", "diode": "schottky", "saturation_a": 1.5e-3}},
        138.0,
    )
)
@example(
    made=(
        "12 bit, 2 kHz",
        {"rectifier": {"topology": "absolute_value", "output_low_v": 1.0, "shift_reference_ohm": 100.0}},
        30.0,
    )
)
@example(
    made=(
        "bridge from both ends",
        {"detector": {"kind": "peak", "hold_farad": 1e-12, "release_ohm": 5.1e6}},
        30.0,
    )
)
@example(
    made=(
        "12 bit, 2 kHz",
        {"rectifier": {"topology": "bridge", "inverter_input_ohm": 100.0, "inverter_feedback_ohm": 1e6}},
        30.0,
    )
)
def test_any_legal_design_is_a_right_board_or_one_line(tmp_path_factory, made):
    board, other, level_db_spl = made
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_text(text_of(board, other), encoding="utf-8")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", EnvlabWarning)
        try:
            chain = read_design(path)
        except EnvlabError as problem:
            check_line(problem)
            event("refused when it is read")
            return
        for check in (lambda one: check_played(one, level_db_spl), check_told):
            try:
                check(chain)
            except EnvlabError as problem:
                check_line(problem)
                event(f"refused later: {type(problem).__name__} {getattr(problem, 'name', '')}")
        event("played")
        path.write_text(design_text(chain), encoding="utf-8")
        assert read_design(path) == chain
