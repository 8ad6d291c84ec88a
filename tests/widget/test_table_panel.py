"""The panel is a thin edge: every control calls the package, and shows what the package says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from envlab.analog.detector import PeakDetector
from envlab.study.chosen_on_clips import light_on_clips, relit
from envlab.study.specification.specification import demo_specification
from envlab.widget.audition.controls import controls_of
from envlab.widget.table_panel import TablePanel, table_words


@pytest.fixture(scope="module")
def specification():
    """The parade's drum line in the street, on a board that keeps the flash limit."""
    parade = demo_specification()
    clips = tuple(clip for clip in parade.clips if clip.label == "drum_line 92 dB")
    chain = replace(parade.chain, detector=PeakDetector(15e3, 1e-6, 100e3))
    return replace(parade, chain=chain, clips=clips)


@pytest.fixture(scope="module")
def lights(specification):
    return light_on_clips(specification, specification.chain)


@pytest.fixture
def panel(specification, lights):
    return TablePanel(specification.chain, lights)


def test_starts_with_the_board_as_it_is(panel, specification, lights):
    assert panel.chain == specification.chain
    assert (panel.floor.value, panel.ceiling.value) == (66.0, 102.0)
    assert (panel.curve.value, panel.depth.value) == ("lightness", 16)
    for line in table_words(specification.chain, lights):
        assert line.replace("'", "&#x27;") in panel._words.value
    assert bytes(panel._picture.value).startswith(b"\x89PNG")
    controls = (panel.floor, panel.ceiling, panel.curve, panel.depth)
    assert all(control.description for control in controls)


@pytest.mark.parametrize(
    ("control", "value"), [("floor", 70.0), ("ceiling", 96.0), ("curve", "straight"), ("depth", 8)]
)
def test_every_control_makes_the_table_anew(panel, specification, lights, control, value):
    picture = panel._picture.value
    getattr(panel, control).value = value
    asked = panel.chain.brightness
    now = {
        "floor": asked.floor_db_spl,
        "ceiling": asked.ceiling_db_spl,
        "curve": asked.curve,
        "depth": panel.chain.pixel_bits,
    }
    assert now[control] == value
    expected = replace(specification.chain, brightness=asked, pixel_bits=panel.chain.pixel_bits)
    assert panel.chain == expected
    assert np.array_equal(panel.lights[0].duty, relit(lights, expected)[0].duty)
    assert panel.chain != specification.chain
    assert panel._picture.value != picture


def test_flashes_are_counted_anew_and_a_table_beyond_the_limit_is_named(panel, lights):
    assert "The limit of 3 is kept" in panel._words.value
    panel.floor.value = 86.0
    panel.ceiling.value = 88.0
    assert panel.lights[0].flashes.worst_per_s > 3 >= lights[0].flashes.worst_per_s
    assert "NOT kept: do not export" in panel._words.value


def test_what_cannot_be_is_said_and_the_table_stays(panel):
    before, picture = panel.chain, panel._picture.value
    panel.ceiling.value = 50.0
    assert "ceiling_db_spl is 50" in panel._problem.value
    assert "above the floor of 66" in panel._problem.value
    assert panel.chain is before
    assert panel._picture.value == picture
    panel.ceiling.value = 100.0
    assert panel._problem.value == ""


def test_a_depth_with_less_than_one_code_is_said(panel):
    panel.depth.value = 1
    assert panel._problem.value
    assert panel.chain.pixel_bits == 16


def test_curves_have_one_name_in_both_widgets(panel):
    audition = next(one for one in controls_of(panel.chain) if one.key == "brightness.curve")
    assert [text for text, _ in panel.curve.options] == list(audition.options)
    assert [name for _, name in panel.curve.options] == list(audition.values)
