"""The panel is a thin edge: every control calls the package, and shows what the package says."""

from __future__ import annotations

from dataclasses import replace

import pytest

from envlab.analog.parts import PartRange
from envlab.study.specification.specification import demo_specification
from envlab.study.sweep.choice import choose
from envlab.study.sweep.sweep import sweep
from envlab.widget.parts_panel import PartsPanel


@pytest.fixture(scope="module")
def specification():
    """The parade with its drum line in the street and 16 candidates."""
    parade = demo_specification()
    clips = tuple(clip for clip in parade.clips if clip.label == "drum_line 92 dB")
    ranges = {
        "preamp.feedback_ohm": (4700.0,),
        "detector.hold_farad": PartRange("E3", 220e-9, 470e-9, 20.0),
        "detector.attack_ohm": PartRange("E3", 10e3, 22e3),
        "detector.release_ohm": PartRange("E6", 220e3, 680e3),
    }
    return replace(parade, clips=clips, ranges=ranges)


@pytest.fixture
def panel(specification):
    return PartsPanel(specification)


def test_shows_what_the_package_chooses(panel, specification):
    table = sweep(specification)
    choice = choose(table, specification)
    assert panel.choice.words == choice.words
    assert panel.choice.chain == choice.chain
    assert choice.words[0] in panel._words.value.replace("&#x27;", "'")
    assert bytes(panel._picture.value).startswith(b"\x89PNG")


def test_every_soft_target_and_every_range_has_a_control(panel, specification):
    assert list(panel.limits) == [target.metric for target in specification.targets.soft]
    assert list(panel.ranges) == [key for key in specification.ranges if key.startswith("detector.")]
    labels = [label for label, _ in panel.ranges["detector.release_ohm"].options]
    assert labels == ["220k", "330k", "470k", "680k"]
    assert all(control.description for control in [*panel.limits.values(), *panel.ranges.values()])
    assert all("_" not in control.description for control in panel.limits.values())


def test_a_target_judges_the_same_sweep_anew(panel):
    table = panel._table
    panel.limits["beat_contrast_lstar"].value = 99.0
    assert panel._table is table
    assert not panel.choice.meets_all
    assert "contrast on the beat at least 99" in panel._words.value
    assert panel.specification.targets.soft[0].limit == 99.0


def test_a_range_sweeps_anew(panel):
    panel.ranges["detector.release_ohm"].value = (330e3, 470e3)
    assert len(panel.choice.table) == 2 * 2 * 2
    assert set(panel.choice.table["detector.release_ohm"]) == {330e3, 470e3}
    assert panel.choice.chain.detector.release_ohm in (330e3, 470e3)


def test_what_cannot_be_is_said_and_the_choice_stays(panel):
    before, picture = panel.choice, panel._picture.value
    panel.limits["ripple_db"].value = float("nan")
    assert "ripple_db at_most is nan" in panel._problem.value
    assert panel.choice is before
    assert panel._picture.value == picture
    panel.limits["ripple_db"].value = 1.0
    assert panel._problem.value == ""
