"""What other people may rely on: the names of `envlab`, and that importing it costs nothing."""

from __future__ import annotations

import inspect
import json
import subprocess
import sys

import pytest

import envlab

PUBLIC = [
    "AverageDetector",
    "Chain",
    "ChainResult",
    "LookupTable",
    "PeakDetector",
    "Recording",
    "Rectifier",
    "audition",
    "count_flashes",
    "detect",
    "lightness_table",
    "parts_for",
    "read_design",
    "read_recording",
    "rectify",
    "render_preview",
    "shown_codes",
    "sweep",
    "tolerance",
]
# These draw or play as soon as they are called.
SHOWN = ["audition", "render_preview"]
HEAVY = ["matplotlib", "numba", "pandas", "scipy.signal", "ipywidgets", "anywidget", "av", "schemdraw"]


def loaded_after(statements: str) -> list[str]:
    """Return the heavy modules that are loaded in a fresh Python after these statements."""
    report = f"import json, sys; print(json.dumps([m for m in {HEAVY!r} if m in sys.modules]))"
    done = subprocess.run(
        [sys.executable, "-c", f"{statements}\n{report}"], capture_output=True, text=True, check=True
    )
    return list(json.loads(done.stdout.splitlines()[-1]))


def test_the_list_is_this_one():
    assert envlab.__all__ == PUBLIC


@pytest.mark.parametrize("name", PUBLIC)
def test_every_name_is_there_and_says_what_it_is(name):
    value = getattr(envlab, name)
    assert value.__name__ == name
    # A dataclass without a docstring is given its own signature as one.
    assert inspect.getdoc(value)
    assert not inspect.getdoc(value).startswith(f"{name}(")
    assert name in dir(envlab)


@pytest.mark.parametrize("name", PUBLIC)
def test_methods_and_properties_say_what_they_are(name):
    value = getattr(envlab, name)
    if not inspect.isclass(value):
        return
    own = {key: member for key, member in vars(value).items() if not key.startswith("_")}
    members = {key: m for key, m in own.items() if isinstance(m, property) or inspect.isfunction(m)}
    assert [key for key, member in members.items() if not inspect.getdoc(member)] == []


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'detector'"):
        _ = envlab.detector


def test_star_import_gives_the_list():
    names: dict[str, object] = {}
    exec("from envlab import *", names)
    assert sorted(set(names) - {"__builtins__"}) == PUBLIC


def test_import_loads_nothing_heavy():
    assert loaded_after("import envlab") == []


def test_designs_and_detectors_load_nothing_heavy():
    names = [name for name in PUBLIC if name not in SHOWN]
    assert loaded_after(f"import envlab\nfor name in {names}: getattr(envlab, name)") == []


def test_the_heavy_modules_can_be_noticed():
    assert loaded_after("import scipy.signal, pandas") == ["pandas", "scipy.signal"]


def test_the_command_answers_help_without_them():
    help_text = "from envlab.cli import main\ntry: main(['design', '--help'])\nexcept SystemExit: pass"
    assert loaded_after(help_text) == []
