"""The order of candidates where a target is met by nobody, held against the definition written out again."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.metrics.catalogue import METRICS
from envlab.study.specification.ranges import candidates_of
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.ranking import rank_candidates, whole_steps

RIPPLE = Target("ripple_db", "at_most", 1.0, 1.0)
CONTRAST = Target("beat_contrast_lstar", "at_least", 20.0, 10.0)
STEP = Target("table_step_lstar", "at_most", 8.0, 4.0)
RANGE = Target("range_used_db", "at_least", 40.0, 10.0)
FIVE = {"detector.attack_ohm": PartRange("E3", 1e3, 22e3)}


def ranking(targets: tuple[Target, ...], ranges=FIVE, **columns: list[float]):
    asked = Specification(Chain(), (), dict(ranges), Targets(targets))
    candidates = candidates_of(asked.chain, asked.ranges)
    usual = dict.fromkeys(METRICS, 1.0) | {"beat_contrast_lstar": 30.0, "flashes_per_s": 2.0}
    rows = {name: np.full(len(candidates), value) for name, value in usual.items()}
    return rank_candidates(pd.DataFrame(candidates.parts | rows | columns), asked)


def test_an_impossible_target_does_not_switch_off_the_others():
    # The worst miss alone would put 0 and 1 first: their step is a little less beyond what nobody reaches.
    columns = {"table_step_lstar": [13.0, 13.1, 13.3, 13.3, 20.0], "ripple_db": [3.0, 2.0, 0.5, 1.5, 0.5]}
    found = ranking((STEP, RIPPLE), **columns)
    assert found.order == [2, 3, 1, 4, 0]
    (one,) = found.replaced
    # The best, 13.0, and a tenth of the scale, 0.4.
    assert (one.target, one.best) == (STEP, 13.0)
    assert one.ranked.limit == pytest.approx(13.4)


def test_only_those_within_the_flash_limit_say_what_can_be_reached():
    columns = {"ripple_db": [0.1, 2.0, 3.0, 2.5, 4.0], "flashes_per_s": [9.0, 3.0, 2.0, 1.0, 0.0]}
    (one,) = ranking((RIPPLE,), **columns).replaced
    assert one.best == 2.0
    assert one.ranked.limit == pytest.approx(2.1)


def test_a_lower_limit_is_eased_downwards():
    (one,) = ranking((CONTRAST,), beat_contrast_lstar=[5.0, 12.0, 8.0, 3.0, 1.0]).replaced
    assert one.ranked.limit == pytest.approx(11.0)
    assert one.ranked.side == "at_least"


def test_a_target_that_one_meets_stays_as_it_is():
    found = ranking((RIPPLE, CONTRAST), ripple_db=[1.0, 5.0, 5.0, 5.0, 5.0])
    assert found.replaced == ()
    assert found.ranked == (RIPPLE, CONTRAST)


def test_where_no_value_is_a_number_the_target_is_left_out():
    found = ranking((RANGE, RIPPLE), range_used_db=[-math.inf] * 5, ripple_db=[3.0, 2.0, 0.5, 2.0, 3.0])
    assert [one.ranked for one in found.replaced] == [None]
    assert found.ranked == (RIPPLE,)
    assert found.order[0] == 2


def test_the_worst_miss_counts_first_then_the_next():
    # Worst misses in steps: 25, 25, 25, 26, 24; second ones 5, 0, 10, 0, 24.
    columns = {
        "ripple_db": [1.5, 1.519, 1.5, 1.52, 1.48],
        "beat_contrast_lstar": [19.0, 20.0, 18.0, 20.0, 15.2],
        "table_step_lstar": [8.0] * 5,
    }
    meeting = {"ripple_db": 0.9, "beat_contrast_lstar": 20.0}
    found = ranking(
        (RIPPLE, CONTRAST, STEP),
        {"detector.attack_ohm": PartRange("E3", 1e3, 100e3)},
        **{name: [*values, *([meeting.get(name, 30.0)] * 2)] for name, values in columns.items()},
    )
    # The two that are appended meet ripple and contrast, so that nothing is replaced; their table does not.
    assert found.replaced == ()
    assert [row for row in found.order if row < 5] == [4, 1, 0, 2, 3]
    assert found.misses(0)[:2] == (25, 5)


def test_steps_round_down_and_a_whole_one_stays_whole():
    assert whole_steps(np.array([0.0, 0.019, 0.02, 0.06, 0.3, 0.0399])).tolist() == [0, 0, 1, 3, 15, 1]


def test_who_is_not_judged_is_not_chosen():
    found = ranking((RIPPLE,), ripple_db=[math.nan, 5.0, 3.0, 4.0, 5.0])
    assert found.order == [2, 3, 1, 4, 0]
    beyond = ranking((RIPPLE,), flashes_per_s=[math.nan, 7.0, 8.0, 9.0, 5.0])
    assert beyond.order == [4, 1, 2, 3, 0]
    assert beyond.table["blocking_target"][0] == "flashes_per_s not judged"


def test_candidates_of_equal_metrics_count_once():
    columns = {"ripple_db": [0.5, 0.5, 0.5000001, 0.6, 0.5]}
    assert ranking((RIPPLE,), **columns).distinct() == [0, 3]
