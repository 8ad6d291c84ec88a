"""Help reads as in the scientific libraries: numpydoc sections, every parameter named, examples that run.

The form is that of the numpydoc docstring guide (numpydoc 1.x, "Sections"): title and underline of equal
length, in the guide's order.
"""

from __future__ import annotations

import dataclasses
import doctest
import importlib
import inspect
import itertools
import re

import numpy as np
import pytest

import envlab
from envlab.bibliography import SOURCES
from envlab.study.specification.design_schema import field_descriptions, parameters_of

ORDER = ("Parameters", "Returns", "Yields", "Raises", "Warns", "See Also", "Notes", "References", "Examples")
MODULES = ("stages", "sound.signals", "lights", "judge", "study.lessons", "sheets", "bench.returned", "export")
# They need a notebook or write a film: tests/widget and tests/plot run them.
SHOWN = {"PartsPanel", "TablePanel", "audition", "render_preview"}
# Made by envlab, not by its user.
RESULTS = {"ChainResult", "Choice", "Judging", "ToleranceResult"}


def public() -> dict[str, object]:
    found = {f"envlab.{name}": getattr(envlab, name) for name in envlab.__all__}
    for module in MODULES:
        home = importlib.import_module(f"envlab.{module}")
        found |= {f"envlab.{module}.{name}": getattr(home, name) for name in home.__all__}
    methods = {
        "envlab.Chain.run": envlab.Chain.run,
        "envlab.ChainResult.to_frame": envlab.ChainResult.to_frame,
    }
    return found | methods


PUBLIC = public()


def sections_of(docstring: str) -> list[str]:
    lines = inspect.cleandoc(docstring).splitlines()
    return [line for line, below in itertools.pairwise(lines) if re.fullmatch(r"-{3,}", below) and line]


def faults_of(value: object) -> list[str]:
    """Return what is wrong with the form of a docstring, one line each."""
    docstring = inspect.getdoc(value) or ""
    lines, sections = docstring.splitlines(), sections_of(docstring)
    faults = []
    if not lines or not docstring.split("\n\n")[0].rstrip().endswith((".", "?")):
        faults.append("its first paragraph is no sentence")
    for line, below in itertools.pairwise(lines):
        if re.fullmatch(r"-{3,}", below) and len(line) != len(below):
            faults.append(f"{line}: the line under it has another length")
    faults += [f"{one}: no section of the guide" for one in sections if one not in ORDER]
    if sections != sorted(sections, key=lambda one: ORDER.index(one) if one in ORDER else -1):
        faults.append(f"sections out of order: {sections}")
    faults += parameter_faults(value, docstring)
    if inspect.isfunction(value):
        returns = inspect.signature(value).return_annotation
        if (returns not in (None, "None")) != ("Returns" in sections):
            faults.append(f"Returns does not fit -> {returns}")
    for key in re.findall(r"^\[([^\]]+)\] ", docstring.partition("References\n")[2], re.MULTILINE):
        if key not in SOURCES:
            faults.append(f"[{key}] is in no bibliography")
    return faults


def parameter_faults(value: object, docstring: str) -> list[str]:
    if inspect.isclass(value) and dataclasses.is_dataclass(value):
        wanted, told = [field.name for field in dataclasses.fields(value)], field_descriptions(value)
    else:
        wanted = [name for name in inspect.signature(value).parameters if name not in ("self", "cls")]
        told = parameters_of(docstring)
    faults = [f"{name}: no such parameter" for name in told if name not in wanted]
    faults += [f"{name}: not named under Parameters" for name in wanted if name not in told]
    return faults + [f"{name}: nothing is said of it" for name in wanted if not told.get(name)]


@pytest.mark.parametrize("name", PUBLIC)
def test_form(name):
    assert faults_of(PUBLIC[name]) == []


def test_wrong_forms_are_noticed():
    def half(length_m: float, width_m: float) -> float:
        """Return it.

        Returns
        ------
        float

        Parameters
        ----------
        length_m : float
        height_m : float
            How high.
        """
        return length_m * width_m

    assert faults_of(half) == [
        "Returns: the line under it has another length",
        "sections out of order: ['Returns', 'Parameters']",
        "height_m: no such parameter",
        "width_m: not named under Parameters",
        "length_m: nothing is said of it",
        "width_m: nothing is said of it",
    ]


@pytest.mark.parametrize("name", [name for name in envlab.__all__ if name not in SHOWN | RESULTS])
def test_names_at_the_top_have_an_example(name):
    assert ">>> " in inspect.getdoc(getattr(envlab, name))


EXAMPLES = [name for name, value in PUBLIC.items() if ">>> " in (inspect.getdoc(value) or "")]


def failures_of(name: str, value: object) -> int:
    parsed = doctest.DocTestParser().get_doctest(inspect.getdoc(value), {}, name, None, 0)
    assert parsed.examples
    with np.printoptions(precision=8, suppress=False, linewidth=75, threshold=1000, legacy=False):
        return doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(parsed).failed


@pytest.mark.parametrize("name", sorted({PUBLIC[name].__qualname__: name for name in EXAMPLES}.values()))
def test_examples_run(name):
    assert failures_of(name, PUBLIC[name]) == 0


def test_a_wrong_example_is_noticed(capsys):
    def twice():
        """Return 4.

        >>> 2 + 2
        5
        """

    assert failures_of("twice", twice) == 1
    assert "Expected" in capsys.readouterr().out
