"""Ranking and words, on tables made by hand so that the right order is plain to see."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from envlab.analog.parts import PartRange
from envlab.chain import Chain
from envlab.errors import ParameterError
from envlab.metrics.catalogue import METRICS
from envlab.study.sentences import of_kind
from envlab.study.specification.ranges import candidates_of
from envlab.study.specification.specification import Judging, Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.choice import KINDS, choose
from envlab.study.sweep.ranking import rank_candidates
from envlab.study.sweep.verdict_words import eased_words

RIPPLE = Target("ripple_db", "at_most", 1.0, 1.0)
CONTRAST = Target("beat_contrast_lstar", "at_least", 20.0, 10.0)
QUIET = Target("quiet_lit_share", "at_least", 0.5, 0.1)
ATTACKS = PartRange("E3", 1e3, 22e3)  # 1k 2k2 4k7 10k 22k
FIVE = {"detector.attack_ohm": ATTACKS}


def specification(ranges=FIVE, *targets: Target) -> Specification:
    return Specification(Chain(), (), dict(ranges), Targets(targets), Judging(), "", "mine.toml")


def table(asked: Specification, **columns: list[float]) -> pd.DataFrame:
    """One row a candidate; every metric that is not given is the same for all."""
    candidates = candidates_of(asked.chain, asked.ranges)
    usual = dict.fromkeys(METRICS, 1.0) | {
        "beat_contrast_lstar": 30.0,
        "flashes_per_s": 2.0,
        "ripple_db": 0.5,
    }
    rows = {name: np.full(len(candidates), value) for name, value in usual.items()}
    return pd.DataFrame(candidates.parts | rows | columns).rename_axis("candidate")


def order(asked: Specification, **columns: list[float]) -> list[int]:
    """Candidates from best to worst."""
    ranked = rank_candidates(table(asked, **columns), asked).table
    return list(ranked.sort_values("rank").index)


def said(choice, kind):
    """The text of the one sentence of a kind."""
    (one,) = of_kind(choice.sentences, kind)
    return one.text


def test_violation_comes_before_contrast():
    asked = specification(FIVE, RIPPLE)
    ripple_db, contrast = [3.0, 0.5, 2.0, 1.0, 1.5], [90, 10, 80, 12, 70]
    # Violations 2, 0, 1, 0, 0.5; the two that meet it by contrast.
    assert order(asked, ripple_db=ripple_db, beat_contrast_lstar=contrast) == [3, 1, 4, 2, 0]


def test_violation_is_the_worst_of_all_targets():
    asked = specification(FIVE, RIPPLE, CONTRAST)
    ranked = rank_candidates(
        table(asked, ripple_db=[1.4, 1.0, 1.6, 1.1, 1.0], beat_contrast_lstar=[18.0, 15.0, 10.0, 20.0, 20.0]),
        asked,
    ).table
    assert ranked["violation"].tolist() == pytest.approx([0.4, 0.5, 1.0, 0.1, 0.0])
    assert ranked["blocking_target"].tolist() == [
        RIPPLE.text(),
        CONTRAST.text(),
        CONTRAST.text(),
        RIPPLE.text(),
        "",
    ]


def test_contrast_counts_in_whole_lstar_then_latency_then_number():
    contrast, latency = [30.4, 30.2, 29.6, 31.0, 30.0], [20.0, 10.0, 5.0, 50.0, 10.0]
    # Rounded 30 30 30 31 30: 3 first, then by latency 5, 10, 10 (the earlier number first), 20.
    assert order(specification(), beat_contrast_lstar=contrast, onset_lag_worst_ms=latency) == [3, 2, 1, 4, 0]


def test_equal_candidates_keep_their_number():
    assert order(specification()) == [0, 1, 2, 3, 4]


def test_flash_limit_is_hard():
    # The only one without violation flashes four times; so does the one of most contrast.
    asked = specification(FIVE, RIPPLE)
    # Of those that keep the limit none meets 1 dB: 2.1 dB is asked in the ranking, the best and a tenth.
    columns = {
        "ripple_db": [0.5, 3.0, 2.0, 9.0, 0.5],
        "flashes_per_s": [4.0, 3.0, 3.0, 0.0, 7.0],
        "beat_contrast_lstar": [90.0, 30.0, 30.0, 30.0, 95.0],
    }
    assert order(asked, **columns) == [2, 1, 3, 0, 4]
    choice = choose(table(asked, **columns), asked)
    assert choice.number == 2
    assert choice.flash_safe
    assert not choice.meets_all


def test_a_stricter_flash_limit_is_the_hard_one():
    asked = specification(FIVE, Target("flashes_per_s", "at_most", 1.0, 1.0))
    ranked = rank_candidates(table(asked, flashes_per_s=[2.0, 1.0, 0.0, 3.0, 1.0]), asked).table
    assert ranked["flash_safe"].tolist() == [False, True, True, False, True]
    assert ranked["blocking_target"].tolist()[0] == "flashes_per_s at most 1"
    # The flash target adds no violation of its own: the safe ones are all at 0.
    assert ranked["violation"].tolist() == [0, 0, 0, 0, 0]


def test_without_targets_nothing_is_violated():
    ranked = rank_candidates(table(specification()), specification()).table
    assert (ranked["violation"] == 0).all()
    assert (ranked["blocking_target"] == "").all()


def test_ranks_are_one_to_n_and_nothing_is_lost():
    rng = np.random.default_rng(2)
    asked = specification({"detector.attack_ohm": PartRange("E24", 1e3, 100e3)}, RIPPLE, CONTRAST)
    n = len(candidates_of(asked.chain, asked.ranges))
    columns = {
        "ripple_db": rng.uniform(0, 3, n),
        "beat_contrast_lstar": rng.uniform(0, 60, n),
        "onset_lag_worst_ms": rng.integers(5, 40, n).astype(float),
        "flashes_per_s": rng.integers(0, 6, n).astype(float),
    }
    ranked = rank_candidates(table(asked, **columns), asked).table
    assert sorted(ranked["rank"]) == list(range(1, n + 1))

    # The definition again, as plain tuples.
    def key(i: int) -> tuple[float, ...]:
        r = ranked.iloc[i]
        flashes = 0.0 if r["flashes_per_s"] <= 3 else r["flashes_per_s"]
        misses = (max(0.0, r["ripple_db"] - 1), max(0.0, (20 - r["beat_contrast_lstar"]) / 10))
        steps = sorted((math.floor(miss / 0.02) for miss in misses), reverse=True)
        return (flashes, *steps, -round(r["beat_contrast_lstar"]), r["onset_lag_worst_ms"], i)

    assert list(ranked.sort_values("rank").index) == sorted(range(n), key=key)


def test_infinite_metrics_rank_last():
    asked = specification(FIVE, Target("range_used_db", "at_least", 40.0, 10.0))
    assert order(asked, range_used_db=[-math.inf, 30.0, 50.0, -math.inf, 35.0]) == [2, 4, 1, 0, 3]


def test_chosen_chain_has_the_chosen_parts():
    asked = specification(FIVE)
    choice = choose(table(asked, beat_contrast_lstar=[1.0, 2.0, 3.0, 2.0, 1.0]), asked)
    assert choice.number == 2
    assert choice.chain.detector.attack_ohm == 4.7e3
    assert choice.row["detector.attack_ohm"] == 4.7e3
    assert choice.meets_all
    assert choice.edges == ()
    assert "R4 = 4k7" in said(choice, "headline")
    assert "meets every target" in said(choice, "verdict")


def test_what_was_swept_and_is_no_part_has_a_word_in_the_headline():
    ranges = {"rectifier.reference_node_v": (0.0, 0.15)}
    asked = replace(specification(FIVE), ranges=ranges)
    choice = choose(table(asked, beat_contrast_lstar=[1.0, 2.0]), asked)
    assert said(choice, "headline").endswith("meet every target: Reference node = 150 mV.")


@pytest.mark.parametrize(("best", "edge"), [(0, True), (1, False), (3, False), (4, True)])
def test_edges_of_a_range_are_named(best, edge):
    asked = specification(FIVE)
    contrast = [30.0] * 5
    contrast[best] = 50.0
    choice = choose(table(asked, beat_contrast_lstar=contrast), asked)
    assert choice.edges == (("detector.attack_ohm",) if edge else ())
    told = of_kind(choice.sentences, "edge")
    assert [one.behind["key"] for one in told] == (["detector.attack_ohm"] if edge else [])
    if edge:
        line = told[0].text
        assert line.startswith("R4 (attack) sits at the edge of its range")
        assert "[sweep.detector] attack_ohm" in line


def test_a_list_and_a_single_value_have_no_edge():
    asked = specification(
        {"rectifier.kind": ("half", "full"), "detector.attack_ohm": PartRange("E3", 4.7e3, 4.7e3)}
    )
    assert choose(table(asked), asked).edges == ()


def test_blocking_target_is_named_with_the_best_that_was_found():
    asked = specification(FIVE, RIPPLE, CONTRAST)
    choice = choose(table(asked, ripple_db=[1.7, 1.2, 1.3, 1.4, 1.5]), asked)
    assert choice.number == 1
    assert not choice.meets_all
    verdict = of_kind(choice.sentences, "verdict")[0]
    assert verdict.behind == {"outcome": "misses", "metric": "ripple_db", "value": 1.2, "meeting": 0}
    assert "misses ripple at most 1 dB (it has 1.2 dB)" in verdict.text
    (told,) = of_kind(choice.sentences, "unreachable")
    assert told.behind == {"metric": "ripple_db", "best": 1.2, "ranked": pytest.approx(1.3)}
    assert "the best reaches 1.2 dB. So all are ranked and boards judged as if 1.3 dB were asked" in told.text


def test_targets_that_no_clip_judges_are_named_and_not_met():
    asked = specification(FIVE, QUIET, RIPPLE)
    choice = choose(table(asked, quiet_lit_share=[math.nan] * 5), asked)
    assert choice.left_out == (QUIET,)
    assert choice.meets_all
    assert [one.behind for one in of_kind(choice.sentences, "not_judged")] == [{"metric": "quiet_lit_share"}]
    assert said(choice, "not_judged").startswith("Not judged: quiet clip lit at least 50 %")


def test_without_beat_clips_contrast_is_left_out_and_latency_decides():
    asked = specification(FIVE, CONTRAST)
    choice = choose(
        table(asked, beat_contrast_lstar=[math.nan] * 5, onset_lag_worst_ms=[9.0, 8.0, 7.0, 8.0, 9.0]), asked
    )
    assert choice.number == 2
    assert choice.left_out == (CONTRAST,)
    assert choice.flash_cost_lstar == 0
    assert "It meets every target that could be judged" in said(choice, "verdict")
    assert not any("nan" in line for line in choice.words)


def test_cost_of_flash_safety_is_the_contrast_given_up():
    asked = specification(FIVE)
    columns = {
        "beat_contrast_lstar": [20.0, 25.0, 32.0, 48.0, 60.0],
        "flashes_per_s": [1.0, 2.0, 3.0, 4.0, 9.0],
    }
    choice = choose(table(asked, **columns), asked)
    assert choice.number == 2
    assert choice.flash_cost_lstar == pytest.approx(60 - 32)
    assert of_kind(choice.sentences, "flash_cost")[0].behind == {"contrast_lstar": 28.0, "flashes_per_s": 3.0}
    assert "costs 28 L* of contrast" in said(choice, "flash_cost")


def test_flash_safety_costs_nothing_where_the_best_is_safe():
    choice = choose(
        table(specification(), beat_contrast_lstar=[20.0, 25.0, 60.0, 48.0, 30.0]), specification()
    )
    assert choice.flash_cost_lstar == 0
    assert of_kind(choice.sentences, "flash_cost") == ()


def test_contrast_given_up_for_latency_is_no_cost_of_flash_safety():
    # 30.4 and 30.2 are both 30; the quicker one is chosen, and nobody flashes.
    columns = {
        "beat_contrast_lstar": [10.0, 30.4, 30.2, 9.0, 8.0],
        "onset_lag_worst_ms": [9.0, 20.0, 10.0, 9.0, 9.0],
    }
    choice = choose(table(specification(), **columns), specification())
    assert choice.number == 2
    assert choice.flash_cost_lstar == 0


def test_flashing_candidates_that_miss_targets_cost_nothing():
    # More contrast, but a violation: it would not have been chosen without the limit either.
    asked = specification(FIVE, RIPPLE)
    columns = {
        "beat_contrast_lstar": [20.0, 25.0, 32.0, 48.0, 60.0],
        "flashes_per_s": [1.0, 2.0, 3.0, 4.0, 9.0],
        "ripple_db": [0.5, 0.5, 0.5, 2.0, 3.0],
    }
    assert choose(table(asked, **columns), asked).flash_cost_lstar == 0


def test_when_all_flash_the_least_is_taken_and_it_is_said():
    asked = specification(FIVE, RIPPLE)
    columns = {"flashes_per_s": [9.0, 5.0, 6.0, 5.0, 7.0], "ripple_db": [3.0, 2.0, 0.5, 1.5, 2.0]}
    choice = choose(table(asked, **columns), asked)
    assert choice.number == 3
    assert not choice.flash_safe
    assert not choice.meets_all
    verdict = of_kind(choice.sentences, "verdict")[0]
    assert verdict.behind == {"outcome": "flashes", "flashes_per_s": 5.0}
    assert "5 times" in verdict.text
    # 2k2 lies two steps away; the neighbours 4k7 and 22k flash more often.
    told = of_kind(choice.sentences, "neighbour")[0]
    assert told.behind["4k7"] == told.behind["22k"] == "flashes_per_s"
    assert "4k7 would flash 6 times in a second; 22k would flash 7 times in a second" in told.text


def test_where_all_flash_alike_neighbours_differ_in_what_they_miss():
    asked = specification(FIVE, RIPPLE)
    columns = {"flashes_per_s": [5.0] * 5, "ripple_db": [3.0, 2.0, 0.5, 1.5, 2.0]}
    choice = choose(table(asked, **columns), asked)
    assert choice.number == 2
    told = of_kind(choice.sentences, "neighbour")[0]
    assert told.behind["2k2"] == "ripple_db"
    assert "2k2 would miss the target ripple at most 1 dB (2 dB)" in told.text


def test_neighbours_say_what_the_next_values_would_do():
    asked = specification(FIVE, RIPPLE)
    columns = {
        "ripple_db": [0.5, 1.5, 0.5, 0.5, 0.5],
        "beat_contrast_lstar": [20.0, 60.0, 40.0, 35.0, 30.0],
        "onset_lag_worst_ms": [10.0, 10.0, 12.0, 13.5, 14.0],
    }
    told = of_kind(choose(table(asked, **columns), asked).sentences, "neighbour")[0]
    assert told.behind == {
        "key": "detector.attack_ohm",
        "value": 4.7e3,
        "2k2": "ripple_db",
        "10k": "beat_contrast_lstar",
    }
    line = told.text
    assert line.startswith("R4 (attack) = 4k7")
    assert "2k2 would miss the target ripple at most 1 dB (1.5 dB), though with 20.0 L* more" in line
    assert "10k would show the beat less: contrast −5 L*" in line


def test_neighbours_among_two_ranges_differ_in_one_value_only():
    asked = specification(
        {
            "detector.attack_ohm": PartRange("E3", 1e3, 4.7e3),
            "detector.hold_farad": PartRange("E3", 1e-6, 4.7e-6),
        }
    )
    contrast = [1, 2, 3, 4, 90, 6, 7, 8, 9]  # the middle of both
    choice = choose(table(asked, beat_contrast_lstar=[float(c) for c in contrast]), asked)
    assert choice.number == 4
    text = " ".join(choice.words)
    assert "1k would show the beat less: contrast −88" in text
    assert "4k7 would show the beat less: contrast −82" in text
    assert "1u would show the beat less: contrast −86" in text
    assert "4u7 would show the beat less: contrast −84" in text


def test_what_lies_within_the_rounding_is_no_reason():
    columns = {"beat_contrast_lstar": [20.0, 30.4, 30.2, 30.2, 30.0]}
    told = of_kind(choose(table(specification(), **columns), specification()).sentences, "neighbour")[0]
    assert told.behind["4k7"] == "the same"
    assert "4k7 would do as well: less than 1 L* lies between them" in told.text
    # Nothing decides between the two, and the rule by which one was taken is said.
    assert told.text.endswith("; of equals the first in the list is taken.")


def test_where_no_flash_can_be_judged_nothing_is_said_to_be_chosen():
    """Nobody keeps a limit that was not judged, no neighbour loses, and no range need be widened."""
    columns = {"flashes_per_s": [math.nan] * 5, "beat_contrast_lstar": [math.nan] * 5}
    choice = choose(table(specification(), **columns), specification())
    assert said(choice, "headline").startswith("None of 5 candidates could be judged; shown is one: R4 = ")
    assert choice.edges
    assert of_kind(choice.sentences, "neighbour", "edge") == ()


def test_what_boards_are_counted_by_is_said_with_the_digits_of_its_metric():
    """As asked, so with the comma that its name needs."""
    ripple = Target("ripple_db", "at_most", 0.1, 1.0)
    choice = choose(table(specification(FIVE, ripple), ripple_db=[0.246612] * 5), specification(FIVE, ripple))
    (told,) = eased_words(choice.ranking.replaced)
    assert (
        told.text
        == "Of boards, every target means what some candidate meets: ripple at most 0.347 dB is asked."
    )
    late = Target("onset_lag_worst_ms", "at_most", 4.0, 10.0)
    slow = table(specification(FIVE, late), onset_lag_worst_ms=[15.7] * 5)
    (told,) = eased_words(choose(slow, specification(FIVE, late)).ranking.replaced)
    assert "latency, worst, at most 16.7 ms is asked" in told.text


def test_a_neighbour_that_is_better_than_a_choice_by_hand_is_not_said_to_be_its_equal():
    columns = {
        "ripple_db": [0.5, 0.5, 2.0, 0.5, 0.5],
        "beat_contrast_lstar": [30.0, 30.0, 30.0, 30.0, 40.0],
        "onset_lag_worst_ms": [10.0, 10.0, 10.0, 12.0, 12.0],
    }
    asked = specification(FIVE, RIPPLE)

    def neighbours_of(number: int) -> str:
        return of_kind(choose(table(asked, **columns), asked, number=number).sentences, "neighbour")[0].text

    assert "2k2 stands before it in rank: it misses less of what is asked" in neighbours_of(2)
    assert "22k stands before it in rank: it shows the beat more" in neighbours_of(3)
    columns["beat_contrast_lstar"] = [30.0] * 5
    columns["onset_lag_worst_ms"] = [10.0, 12.0, 10.0, 12.0, 12.0]
    assert "1k stands before it in rank: it follows the sound sooner" in neighbours_of(1)
    assert "would do" not in neighbours_of(1)


def test_targets_that_are_at_odds_are_named():
    asked = specification(FIVE, RIPPLE, CONTRAST, QUIET)
    columns = {
        "ripple_db": [0.5, 0.8, 1.2, 1.4, 2.0],
        "beat_contrast_lstar": [9.0, 15.0, 21.0, 25.0, 30.0],
    }
    choice = choose(table(asked, **columns), asked)
    assert not choice.meets_all
    (told,) = of_kind(choice.sentences, "at_odds")
    assert told.behind == {"metrics": "ripple_db, beat_contrast_lstar"}
    assert of_kind(choice.sentences, "unreachable") == ()


def test_flashes_that_no_clip_shows_are_not_judged():
    asked = specification(FIVE, RIPPLE)
    choice = choose(table(asked, flashes_per_s=[math.nan] * 5), asked)
    assert not choice.flash_safe
    assert not choice.flashes_judged
    assert not choice.meets_all
    assert of_kind(choice.sentences, "verdict")[0].behind == {"outcome": "not judged"}
    assert not any("nan" in line for line in choice.words)


@pytest.mark.parametrize("flashes", [[4.0] * 5, [4.0, 5.0, 6.0, 7.0, 8.0], [1.0, 4.0, 9.0, 4.0, 4.0]])
@pytest.mark.parametrize("ripple_db", [[0.5] * 5, [3.0, 2.0, 1.5, 2.0, 3.0], [0.5, 2.0, 3.0, 4.0, 5.0]])
def test_there_are_words_for_every_mixture(flashes, ripple_db):
    asked = specification(FIVE, RIPPLE, CONTRAST)
    choice = choose(table(asked, flashes_per_s=flashes, ripple_db=ripple_db), asked)
    assert {one.kind for one in choice.sentences} <= set(KINDS)
    assert {"headline", "verdict"} <= {one.kind for one in choice.sentences}
    assert all(line and "\n" not in line for line in choice.words)


def test_same_table_same_words():
    asked = specification(FIVE, RIPPLE)
    columns = {"ripple_db": [0.5, 1.5, 0.5, 0.5, 0.5]}
    assert choose(table(asked, **columns), asked).words == choose(table(asked, **columns), asked).words


def test_the_given_table_is_left_alone():
    asked = specification(FIVE)
    given = table(asked)
    kept = given.copy()
    choose(given, asked)
    pd.testing.assert_frame_equal(given, kept)


def test_a_design_without_ranges_is_judged_as_it_is():
    asked = replace(specification({}, RIPPLE), ranges={})
    choice = choose(table(asked, ripple_db=[0.7]), asked)
    assert choice.chain == asked.chain
    assert "judged as it is" in said(choice, "headline")


def test_no_candidates_no_choice():
    with pytest.raises(ParameterError, match=r"^table is .*at least one row$"):
        choose(table(specification()).iloc[:0], specification())
