"""A choice whose boards break the flash limit gives way to a neighbour whose boards keep it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from reference.small_specification import write_small_design

from envlab.analog.parts import PartRange
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.chain import Chain
from envlab.metrics.catalogue import METRICS
from envlab.study.sentences import of_kind
from envlab.study.specification.ranges import candidates_of
from envlab.study.specification.specification import Judging, Specification, read_specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.sweep.choice import Choice, choose
from envlab.study.sweep.robustness import TRIED_BOARDS, kept_share, neighbours, robust_choice, step_off
from envlab.study.tolerance.tolerance import tolerance

# 1k 2k2 4k7 10k 22k by 47k 100k 220k: candidate 3·i + j.
ATTACKS, RELEASES = PartRange("E3", 1e3, 22e3), PartRange("E3", 47e3, 220e3)
ASKED = Specification(
    Chain(),
    (),
    {"detector.attack_ohm": ATTACKS, "detector.release_ohm": RELEASES},
    Targets((Target("ripple_db", "at_most", 1.0, 1.0),)),
    Judging(),
    "",
    "mine.toml",
)


def chosen(contrast: list[float], **columns: list[float]) -> Choice:
    """A choice from a table made by hand; every metric that is not given is the same for all."""
    candidates = candidates_of(ASKED.chain, ASKED.ranges)
    usual = dict.fromkeys(METRICS, 1.0) | {"flashes_per_s": 2.0, "ripple_db": 0.5}
    rows = {name: np.full(len(candidates), value) for name, value in usual.items()}
    rows["beat_contrast_lstar"] = np.array(contrast)
    table = pd.DataFrame(candidates.parts | rows | columns).rename_axis("candidate")
    return choose(table, ASKED)


def rising_to(number: int) -> list[float]:
    """Contrast that is largest for one candidate and falls by 2 L* a place from there."""
    return [60.0 - 2 * abs(i - number) for i in range(15)]


def shares(of: dict[int, float]):
    """A share of boards for each candidate, 0 for those not named; asked: which were tried, in order."""
    parts = {key: np.array(values) for key, values in candidates_of(ASKED.chain, ASKED.ranges).parts.items()}
    asked: list[int] = []

    def kept(chain: Chain) -> float:
        same = (parts["detector.attack_ohm"] == chain.detector.attack_ohm) & (
            parts["detector.release_ohm"] == chain.detector.release_ohm
        )
        asked.append(int(np.flatnonzero(same)[0]))
        return of.get(asked[-1], 0.0)

    kept.asked = asked
    return kept


def quietly(what: str, share: float) -> None:
    del what, share


def stepped(choice: Choice, of: dict[int, float]) -> Choice:
    return step_off(choice, ASKED, shares(of), quietly)


def test_a_choice_whose_boards_keep_the_limit_stays():
    choice = chosen(rising_to(4))
    kept = shares({4: 0.95})
    assert step_off(choice, ASKED, kept, quietly) is choice
    assert kept.asked == [4]


def test_neighbours_are_one_step_of_one_part_away():
    # 4 is 2k2 with 100k: beside it 1k and 4k7 with 100k, 2k2 with 47k and 220k.
    assert sorted(neighbours(chosen(rising_to(4)), ASKED)) == [1, 3, 5, 7]


def test_at_the_worst_case_of_the_ranges_there_are_two():
    assert sorted(neighbours(chosen(rising_to(0)), ASKED)) == [1, 3]


def test_values_of_a_list_are_neighbours_as_those_of_a_series_are():
    choice = chosen(rising_to(4))
    listed = {key: tuple(reversed(part.values)) for key, part in ASKED.ranges.items()}
    assert sorted(neighbours(choice, replace(ASKED, ranges=listed))) == [1, 3, 5, 7]


def test_a_neighbour_that_flashes_or_misses_a_target_is_none():
    columns = {"flashes_per_s": [2.0] * 15, "ripple_db": [0.5] * 15}
    columns["flashes_per_s"][5], columns["ripple_db"][7] = 4.0, 1.1
    assert sorted(neighbours(chosen(rising_to(4), **columns), ASKED)) == [1, 3]


def test_of_sure_neighbours_the_first_in_rank_is_taken():
    # 5 and 3 lie 2 L* behind 4, and 3 has the lower number; 7 keeps more, but its contrast is lower still.
    taken = stepped(chosen(rising_to(4)), {4: 0.5, 3: 0.96, 5: 0.99, 7: 1.0, 1: 0.9})
    assert taken.number == 3
    assert taken.chain.detector.attack_ohm == 2.2e3
    assert taken.chain.detector.release_ohm == 47e3


def test_the_words_say_what_was_first_and_what_the_step_costs():
    taken = stepped(chosen(rising_to(4)), {4: 0.5, 7: 1.0})
    assert taken.number == 7
    (told,) = of_kind(taken.sentences, "robustness")
    assert told.behind == {"first_kept_share": 0.5, "kept_share": 1.0}
    assert told.text == (
        "First in rank was R4 (attack) = 2k2. But parts lie a little off, and then 50 % of its boards flash "
        "more than 3 times in a second. Taken instead: R4 (attack) = 4k7; all 64 boards that were "
        "tried keep the limit, for 6.0 L* of contrast."
    )
    others = tuple(one for one in taken.sentences if one.kind != "robustness")
    assert others == choose(taken.table, ASKED, number=7).sentences


def test_one_part_in_a_hundred_is_no_reason():
    choice = chosen(rising_to(4))
    assert stepped(choice, {4: 0.8, 5: 0.89}) is choice


def test_no_neighbour_keeps_more():
    choice = chosen(rising_to(4))
    assert stepped(choice, {4: 0.5, 3: 0.5, 5: 0.4}) is choice


def test_it_goes_on_from_a_neighbour_that_is_not_sure_yet():
    # 4 → 7 gains, 7 → 10 is sure; 13 is never asked.
    taken = stepped(chosen(rising_to(4)), {4: 0.3, 7: 0.6, 10: 0.97, 13: 1.0})
    assert taken.number == 10
    (told,) = of_kind(taken.sentences, "robustness")
    assert told.behind == {"first_kept_share": 0.3, "kept_share": 0.97}
    assert "Taken instead: R4 (attack) = 10k; 97 % of the 64 boards" in told.text


def test_a_choice_that_breaks_the_limit_or_runs_one_by_one_comes_back():
    flashing = chosen(rising_to(4), flashes_per_s=[5.0] * 15)
    assert robust_choice(flashing, ASKED) is flashing
    choice = chosen(rising_to(4))
    passive = replace(choice.chain, rectifier=Rectifier(kind="half", diode="silicon"))
    diode = replace(choice, chain=passive)
    assert robust_choice(diode, ASKED) is diode


@pytest.mark.parametrize("release_ohm", [47e3, 470e3])
def test_the_share_is_that_of_the_boards_in_the_tolerance_study(tmp_path, release_ohm):
    specification = read_specification(write_small_design(tmp_path))
    chain = replace(
        specification.chain, detector=replace(specification.chain.detector, release_ohm=release_ohm)
    )
    limit = tolerance(
        specification, chain=chain, tolerances=replace(specification.tolerance, boards=TRIED_BOARDS)
    ).targets.iloc[0]
    assert limit["metric"] == "flashes_per_s"
    assert kept_share(chain, specification) == limit["yield_share"]
