"""What other people may rely on: the names of `envlab`, and that importing it costs nothing."""

from __future__ import annotations

import ast
import importlib
import inspect
import json
import subprocess
import sys

import nbformat
import pytest

import envlab
from envlab.shipped import shipped_folder

NOTEBOOKS = sorted(shipped_folder("notebooks").glob("*.ipynb"))

PUBLIC = [
    "AverageDetector",
    "Chain",
    "ChainResult",
    "Choice",
    "Clip",
    "Judging",
    "LookupTable",
    "PartRange",
    "PartsPanel",
    "PeakDetector",
    "Recording",
    "Rectifier",
    "Specification",
    "TablePanel",
    "Target",
    "Targets",
    "ToleranceResult",
    "Tolerances",
    "audition",
    "choose",
    "count_flashes",
    "design_schema",
    "detect",
    "leq_db_spl",
    "lightness_table",
    "parts_for",
    "read_design",
    "read_recording",
    "read_specification",
    "rectify",
    "render_preview",
    "shown_codes",
    "sweep",
    "tolerance",
    "write_specification",
]
# Named public modules, by what they are for.
MODULES = {
    "stages": """
        AbsoluteValue Adc AttackRelease AverageDetector BiasSuperdiodes BoardPreamp Bridge BrightnessMap
        DifferenceSuperdiodes Diodeless Electret FirmwareSettings FirstBandPass
        FirstHighPass FirstLowPass HoldCapacitor MeanSquare Microphone MovingMaximum MovingMean NoBandFilter
        OnePole PassThrough PeakDetector PeakHold Pixels Preamp Rectifier SecondBandPass
        SecondHighPass SecondLowPass Supply TransistorDetector VoltageDoubler
    """,
    "sound.signals": """
        pink_noise silence tone tone_burst white_noise
    """,
    "lights": """
        FlashReport Pack Wiring colour_from_hex count_flashes count_red_flashes current_metrics
        find_flashes lightness_cie1976 lightness_table luminance_cie1976 pixel_heat_w pwm_flicker
        supply_current_a surface_heat wire_drop
    """,
    "judge": """
        Cells Coupling Found MeterReading Pulses ToneResponse Wanted board_latency breathing
        clip_metrics find_mitigations judge_exported judge_feedback judge_pack judge_supply
        level_diagram light_on_clips metered_level most_current most_flashing music_scene parts_list
        range_used_db recorder_findings robust_choice span_from_clips stated_levels table_steps
        tone_response usual_levels_table with_values
    """,
    "study.lessons": """
        alternating_light burst_lesson formula_attack_s frame_followers readings_lesson samples_lesson
        sampling_errors step_latency_ms
    """,
    "sheets": """
        along_sheet board_sheet breathing_sheet burst_sheet climb_sheet clipped_sheet clips_sheet
        current_over_time_sheet curve_sheet effects_sheet errors_sheet flashing_sheet formula_sheet
        latency_sheet levels_sheet lightness_sheet map_sheet maps_sheet night_sheet pack_sheet pareto_sheet
        phases_sheet pixels_sheet ramps_sheet range_sheet ripple_aliasing_sheet samples_sheet
        schematic steps_sheet strips_sheet table_sheet tolerance_sheet violation_sheet
        voltages_sheet
    """,
    "bench.returned": """
        BoardChecker BoardReadings Capture check_sentences design_of_board drawn_boards fit_with_resistor
        fitted_design_text invented_capture logged_song night_after parts_alone proposed_resistor
        read_boards read_capture readings_of_board trim_header trim_of trim_yield
    """,
    "export": """
        both_tables check_firmware firmware_folder firmware_words header_text read_header
        write_folder
    """,
}
# Modules whose names may be used although they keep no such list.
OTHERS = {"envlab.shipped": {"demo_design", "shipped_folder"}, "envlab.bibliography": {"source_lines"}}
# These draw or play as soon as they are called.
SHOWN = ["PartsPanel", "TablePanel", "audition", "render_preview"]
HEAVY = ["matplotlib", "numba", "pandas", "scipy.signal", "ipywidgets", "anywidget", "av", "schemdraw"]


def loaded_after(statements: str, modules: list[str] | None = None) -> list[str]:
    """Return those of some modules, the heavy ones, that a fresh Python has after these statements."""
    report = f"import json, sys; print(json.dumps([m for m in {modules or HEAVY!r} if m in sys.modules]))"
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


@pytest.mark.parametrize("module", MODULES)
def test_named_modules_list_these(module):
    home = importlib.import_module(f"envlab.{module}")
    assert home.__all__ == MODULES[module].split()
    assert inspect.getdoc(home)


@pytest.mark.parametrize(
    ("module", "name"), [(module, name) for module, names in MODULES.items() for name in names.split()]
)
def test_every_name_of_a_module_says_what_it_is(module, name):
    value = getattr(importlib.import_module(f"envlab.{module}"), name)
    assert value.__name__ == name
    assert inspect.getdoc(value)
    assert not inspect.getdoc(value).startswith(f"{name}(")


def imports_of(source: str) -> list[tuple[str, str]]:
    """Return (module, name) of all that a piece of Python takes out of envlab."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "envlab":
            found += [(str(node.module), alias.name) for alias in node.names]
        elif isinstance(node, ast.Import):
            found += [(alias.name, "") for alias in node.names if alias.name.split(".")[0] == "envlab"]
        elif isinstance(node, ast.Attribute) and ast.unparse(node.value) == "envlab":
            found.append(("envlab", node.attr))
    return found


def public_names() -> set[tuple[str, str]]:
    known = {("envlab", name) for name in ("", *PUBLIC)}
    known |= {(f"envlab.{module}", name) for module, names in MODULES.items() for name in names.split()}
    return known | {(module, name) for module, names in OTHERS.items() for name in names}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_use_public_names_only(path):
    cells = [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    lines = "\n".join(cell.source for cell in cells).splitlines()
    used = imports_of("\n".join(line for line in lines if not line.startswith("%")))
    assert used
    assert set(used) - public_names() == set()


def test_a_private_name_in_a_notebook_is_noticed():
    used = imports_of("import envlab\nfrom envlab.study.sweep.choice import choose\nenvlab.chains\n")
    assert set(used) - public_names() == {("envlab.study.sweep.choice", "choose"), ("envlab", "chains")}


def test_import_loads_nothing_heavy():
    assert loaded_after("import envlab") == []


def test_designs_and_detectors_load_nothing_heavy():
    names = [name for name in PUBLIC if name not in SHOWN]
    assert loaded_after(f"import envlab\nfor name in {names}: getattr(envlab, name)") == []


def test_the_heavy_modules_can_be_noticed():
    assert loaded_after("import scipy.signal, pandas") == ["pandas", "scipy.signal"]


def test_the_command_answers_help_without_them():
    help_text = "from envlab.cli import main\ntry: main(['design', '--help'])\nexcept SystemExit: pass"
    assert loaded_after(help_text, [*HEAVY, "numpy", "soundfile", "rich", "tomlkit"]) == []
