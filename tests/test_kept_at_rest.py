"""What a board works out of its parts once is its own: another value makes another board."""

from __future__ import annotations

import copy
import pickle
from dataclasses import fields, replace

import pytest

from envlab import read_design
from envlab.shipped import demo_design


def rest(chain):
    return (
        chain.quiescent_state,
        chain.quiescent_counts,
        chain.adc_as_built,
        chain.rectifier_as_built,
        chain.detector_as_built,
    )


@pytest.mark.parametrize(
    ("stage", "change"),
    [
        ("rectifier", {"offset_u2a_v": 0.02}),
        ("rectifier", {"temperature_c": -10.0}),
        ("adc", {"reference_v": 3.0}),
        ("detector", {"release_ohm": 10e3}),
    ],
)
def test_a_changed_board_rests_as_one_that_was_never_asked_before(stage, change):
    asked = read_design(demo_design())
    before = repr(rest(asked))
    changed = replace(asked, **{stage: replace(getattr(asked, stage), **change)})
    fresh = read_design(demo_design())
    fresh = replace(fresh, **{stage: replace(getattr(fresh, stage), **change)})
    assert repr(rest(changed)) == repr(rest(fresh))
    assert repr(rest(changed)) != before
    assert repr(rest(asked)) == before


def test_what_was_worked_out_is_no_field_and_not_copied():
    asked = read_design(demo_design())
    before = repr(rest(asked))
    assert set(vars(asked)) == {one.name for one in fields(asked)}
    for other in (copy.copy(asked), copy.deepcopy(asked), pickle.loads(pickle.dumps(asked))):
        assert other == asked
        assert not hasattr(other, "_worked_out")
        assert repr(rest(other)) == before
