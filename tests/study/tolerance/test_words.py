"""Sentences on many boards, of results made by hand: none contradicts another, and counts read as such."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from envlab.chain import Chain
from envlab.plot.sweep.tolerance import cause_bars
from envlab.study.sentences import of_kind
from envlab.study.specification.specification import Specification
from envlab.study.specification.targets import Target, Targets
from envlab.study.tolerance.result import ConditionEnd, ToleranceResult
from envlab.study.tolerance.tables import distribution_table, meets, target_table
from envlab.study.tolerance.tolerances import Tolerances
from envlab.study.tolerance.words import percent_text, sentences_of

FLASH = Target("flashes_per_s", "at_most", 3.0, 1.0)
RIPPLE = Target("ripple_db", "at_most", 1.0, 1.0)
CASES = ["metric", "limit", "nominal", "value", "meets", "at"]


def made(flashes: list[float], ripple_db: list[float], cases: list[tuple] | None = None, nominal_db=0.5):
    """A result of so many boards; the design has 3 flashes and 0.5 dB, if not said otherwise."""
    boards = pd.DataFrame({"flashes_per_s": flashes, "ripple_db": ripple_db})
    design = pd.Series({"flashes_per_s": 3.0, "ripple_db": nominal_db})
    targets = [FLASH, RIPPLE]
    met = meets(boards, targets)
    columns = ["name", "label", "range", "yield_if_exact", "gain", "tighter", "yield_if_tighter"]
    result = ToleranceResult(
        assumed=Tolerances(boards=len(boards)),
        parameters=(),
        boards=boards,
        nominal=design,
        yield_share=float(met.all(axis=1).mean()),
        targets=target_table(targets, design, met),
        distribution=distribution_table(targets, design, boards),
        causes=pd.DataFrame(columns=columns),
        worst_cases=pd.DataFrame(cases or [], columns=CASES),
    )
    return replace(result, sentences=sentences_of(result, Specification(Chain(), targets=Targets((RIPPLE,)))))


def test_where_boards_flash_no_sentence_says_that_every_target_is_met():
    result = made([3.0] * 18 + [4.0] * 2, [0.5] * 20)
    (told,) = of_kind(result.sentences, "other_targets")
    assert told.text == "Met by all boards: ripple at most 1 dB."
    assert "must not be worn" in of_kind(result.sentences, "flashes")[0].text


def test_what_is_met_by_all_is_named_only_if_there_is_something():
    assert of_kind(made([4.0, 3.0], [0.5, 2.0]).sentences, "other_targets") == ()
    (told,) = of_kind(made([3.0, 3.0], [0.5, 0.6]).sentences, "other_targets")
    assert told.text == "Every target is met by all boards."


def test_worst_cases_that_meet_do_not_hide_boards_that_miss():
    cases = [("flashes_per_s", 3.0, 3.0, 3.0, True, "C3 hold +20 %")]
    (told,) = of_kind(made([3.0] * 19 + [5.0], [0.5] * 20, cases).sentences, "worst_case")
    assert told.text == (
        "Boards miss flashes at most 3 1/s with parts between their ends, not at their worst ends."
    )
    (calm,) = of_kind(made([3.0] * 20, [0.5] * 20, cases).sentences, "worst_case")
    assert (
        calm.text == "Even with every part at its worst end at once, each of these targets is met: flashes."
    )


def test_a_worst_case_that_no_drawn_board_reaches_says_how_both_can_be_true():
    """Flashes are met by all boards that were drawn, and missed with parts at their ends at once."""
    cases = [
        ("flashes_per_s", 3.0, 3.0, 4.0, False, "C3 hold −20 %"),
        ("ripple_db", 1.0, 0.5, 2.0, False, "C3 hold −20 %"),
    ]
    flashes, ripple = of_kind(made([3.0] * 20, [0.5] * 19 + [1.5], cases).sentences, "worst_case")
    assert flashes.behind == {"metric": "flashes_per_s", "value": 4.0, "yield_share": 1.0}
    assert flashes.text == (
        "Worst case for flashes: 4 in 1 s, with C3 hold −20 %. None of the 20 boards that were drawn lies so "
        "far out that it misses this; one with these parts must not be worn."
    )
    # Of ripple one board in twenty misses it: nothing is to be explained.
    assert ripple.behind["yield_share"] == 0.95
    assert ripple.text == "Worst case for ripple: 2 dB, with C3 hold −20 %."


def test_what_a_temperature_does_is_said_with_what_stays_as_it_is():
    end = ConditionEnd(5.0, ("each diode drops 47.5 mV more",), {"ripple_db": (0.5, 0.6)})
    still = ConditionEnd(35.0, ("each diode drops 24 mV less",), {})
    result = replace(made([3.0], [0.5]), conditions=(end, still))
    asked = Specification(Chain(), targets=Targets((RIPPLE,)))
    cold, warm = of_kind(sentences_of(result, asked), "conditions")
    assert cold.text == (
        "At 5 °C each diode drops 47.5 mV more than as designed. All else as designed, that moves ripple "
        "from 0.5 dB to 0.6 dB."
    )
    assert warm.text.endswith("No target feels that.")


@pytest.mark.parametrize(
    ("good", "told"),
    [
        (1, "Order 50 and expect hardly one that does; it may well be none."),
        (10, "Order 50 and expect 2 that do; it may well be none."),
        (200, "Order 50 and expect 50 that do; in 19 of 20 such orders at least 49 do."),
    ],
)
def test_an_order_of_which_hardly_one_is_good(good, told):
    # Of 201 boards; at least so many with 95 %: the 5 % point of the binomial law.
    ripple_db = [0.5] * good + [2.0] * (201 - good)
    (order,) = of_kind(made([3.0] * 201, ripple_db).sentences, "order")
    assert order.text == told


def test_a_share_is_never_rounded_to_all_or_none():
    assert percent_text(299 / 300) == "99.7 %"
    assert percent_text(0.996) == "99.6 %"
    assert percent_text(1 / 300) == "0.3 %"
    assert percent_text(1.0) == "100 %"
    assert percent_text(0.5) == "50 %"


@pytest.mark.parametrize(
    ("nominal_db", "heading"),
    [
        (0.5, "Boards that meet every target if one part alone is exact"),
        (1.5, "Boards that meet what the design itself meets if one part alone is exact"),
    ],
)
def test_the_bars_say_which_targets_they_count(nominal_db, heading):
    result = made([3.0, 3.0], [0.5, 2.0], nominal_db=nominal_db)
    ax = Figure().subplots()
    cause_bars(result, ax)
    assert heading in [text.get_text() for text in ax.findobj(Text)]
