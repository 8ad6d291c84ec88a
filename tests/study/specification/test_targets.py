"""Violation of a target by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from envlab.errors import ParameterError
from envlab.study.specification.targets import Target, Targets


def test_violation_by_hand():
    # max(0, (x − limit)/scale): 14 ms against 12 in steps of 4 is half a violation.
    target = Target("attack_ms", "at_most", 12.0, 4.0)
    assert list(target.violation(np.array([2.0, 12.0, 14.0, 20.0]))) == [0.0, 0.0, 0.5, 2.0]


def test_lower_limits_reverse_the_sign():
    target = Target("beat_contrast_lstar", "at_least", 20.0, 10.0)
    assert list(target.violation(np.array([25.0, 20.0, 15.0, 0.0]))) == [0.0, 0.0, 0.5, 2.0]


def test_what_is_infinitely_bad_is_infinitely_far():
    # A loudest clip that stays at zero counts uses −inf dB of range.
    target = Target("range_used_db", "at_least", 40.0, 10.0)
    assert target.violation(np.array([-math.inf]))[0] == math.inf


def test_text_names_metric_side_limit_and_unit():
    assert Target("attack_ms", "at_most", 12.0, 4.0).text() == "attack_ms at most 12 ms"
    assert Target("quiet_lit_share", "at_least", 0.7, 0.3).text() == "quiet_lit_share at least 0.7"
    assert Target("quiet_lit_share", "at_least", 0.7, 0.3).words() == "quiet clip lit at least 70 %"


def test_flash_limit_is_there_unasked_and_only_gets_stricter():
    assert Targets(()).flash_limit == 3
    assert Targets((Target("flashes_per_s", "at_most", 1.0, 1.0),)).flash_limit == 1
    for side, limit in [("at_most", 3.5), ("at_least", 2.0)]:
        with pytest.raises(ParameterError, match=r"^flashes_per_s is .*: it is hard$"):
            Target("flashes_per_s", side, limit, 1.0)


def test_flash_target_is_not_among_the_soft_ones():
    targets = Targets(
        (Target("flashes_per_s", "at_most", 2.0, 1.0), Target("ripple_db", "at_most", 1.0, 1.0))
    )
    assert [target.metric for target in targets.soft] == ["ripple_db"]


def test_a_metric_is_asked_for_once():
    with pytest.raises(ParameterError, match=r"^targets is 'ripple_db'; it must be named once$"):
        Targets((Target("ripple_db", "at_most", 1.0, 1.0), Target("ripple_db", "at_least", 0.1, 1.0)))


def test_targets_without_a_clip_to_judge_them_are_left_out():
    targets = Targets(
        (Target("ripple_db", "at_most", 1.0, 1.0), Target("quiet_lit_share", "at_least", 0.5, 1.0))
    )
    table = pd.DataFrame({"ripple_db": [1.0, 2.0], "quiet_lit_share": [np.nan, np.nan]})
    assert [target.metric for target in targets.known_in(table)] == ["ripple_db"]


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        (("beauty", "at_most", 1.0, 1.0), "metric is 'beauty'; it must be one of attack_ms, "),
        (("ripple_db", "around", 1.0, 1.0), "side is 'around'; it must be one of at_most, at_least"),
        (("ripple_db", "at_most", math.nan, 1.0), "ripple_db at_most is nan; it must be a finite number"),
        (("ripple_db", "at_most", 1.0, 0.0), "ripple_db scale is 0.0; it must be above 0"),
        (("ripple_db", "at_most", 1.0, -2.0), "ripple_db scale is -2.0; it must be above 0"),
    ],
)
def test_targets_that_cannot_be(fields, text):
    with pytest.raises(ParameterError) as caught:
        Target(*fields)
    assert str(caught.value).startswith(text)
