"""Thirty questions: is the cause the one that was built in, and is the choice beaten by nobody?"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from reference.known_causes import SEEDS, WAYS, Known, known

from envlab.study.sentences import of_kind
from envlab.study.sweep import pareto
from envlab.study.sweep.choice import Choice, choose
from envlab.study.sweep.robustness import robust_choice
from envlab.study.sweep.sweep import sweep
from envlab.units import value_of_key

# One of each kind at every run, all thirty in the slow tier.
QUICK = {("coarse_pixels", 1), ("floor_over_the_singing", 1), ("steps_over_the_singing", 2)}


@functools.cache
def chosen(place: int, seed: int) -> tuple[Known, Choice]:
    one = known(WAYS[place], seed)
    return one, robust_choice(choose(sweep(one.asked), one.asked), one.asked)


thirty = [
    pytest.param(
        place, seed, id=f"{way.__name__}-{seed}",
        marks=() if (way.__name__, seed) in QUICK else pytest.mark.slow,
    )
    for place, way in enumerate(WAYS)
    for seed in SEEDS
]  # fmt: skip


@pytest.mark.parametrize(("place", "seed"), thirty)
def test_the_cause_is_the_one_that_was_built_in(place, seed):
    one, choice = chosen(place, seed)
    assert not choice.meets_all
    told = [said for said in of_kind(choice.sentences, "cause") if said.behind["metrics"] == one.metric]
    assert len(told) == 1
    named = str(told[0].behind["causes"]).split("; ")
    assert one.causes[0] in named
    assert set(named) <= set(one.causes)
    # Its effect was simulated: each change that is named brings the metric to what was asked.
    target = next(target for target in one.asked.targets.soft if target.metric == one.metric)
    effects = [value for name, value in told[0].behind.items() if name.startswith(f"{one.metric} with ")]
    assert len(effects) == len(named)
    assert all(target.violation(np.array(value)) == 0 for value in effects)


@pytest.mark.parametrize(("place", "seed"), thirty)
def test_nobody_whose_boards_were_run_beats_the_choice(place, seed):
    _, choice = chosen(place, seed)
    mine, trials = choice.boards.trials[choice.number], choice.boards.trials
    assert mine.keeps
    assert choice.boards.finals[choice.number].keeps

    def qualities(row: int) -> np.ndarray:
        """Larger is better; beyond the rounding."""
        line = choice.table.iloc[row]
        misses = [
            -np.floor(float(target.violation(np.array(line[target.metric]))) / 0.02 + 1e-9)
            for target in choice.ranking.ranked
        ]
        contrast = round(float(line["beat_contrast_lstar"]))
        return np.array([*misses, trials[row].meeting, contrast, -line["onset_lag_worst_ms"]])

    ours = qualities(choice.number)
    for row, trial in trials.items():
        if trial.keeps and choice.boards.finals.get(row, trial).keeps:
            theirs = qualities(row)
            assert not ((theirs >= ours).all() and (theirs > ours).any()), row


@pytest.mark.parametrize(("place", "seed"), thirty)
def test_every_neighbour_loses_something_that_is_true(place, seed):
    one, choice = chosen(place, seed)
    lines = {str(said.behind["key"]): said for said in of_kind(choice.sentences, "neighbour")}
    mine = choice.row
    for key in one.asked.ranges:
        for row in pareto.neighbours(choice.table, choice.number, one.asked.ranges, key):
            line = choice.table.iloc[row]
            why = lines[key].behind[value_of_key(key, line[key])]
            if why == "flashes_per_s":
                assert not line["flash_safe"]
            elif why == "boards flash":
                assert not choice.boards.trials[row].keeps or not choice.boards.finals[row].keeps
            elif why == "boards miss":
                assert choice.boards.trials[row].meeting < choice.boards.trials[choice.number].meeting
            elif why == "beat_contrast_lstar" and "show the beat less" in lines[key].text:
                assert round(line[why]) < round(mine[why])
            elif why == "onset_lag_worst_ms" and "follow the sound later" in lines[key].text:
                assert line[why] > mine[why]
            elif why == "the same":
                assert choice.ranking.misses(row) == choice.ranking.misses(choice.number)
                assert round(line["beat_contrast_lstar"]) == round(mine["beat_contrast_lstar"])
                assert line["onset_lag_worst_ms"] == mine["onset_lag_worst_ms"]
            else:
                target = next(target for target in choice.ranking.ranked if target.metric == why)
                assert target.violation(np.array(line[why])) > target.violation(np.array(mine[why]))
