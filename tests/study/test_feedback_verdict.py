"""The verdict on lights that disturb the microphone: ways, mends that just do it, and its sentences."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from envlab.analog.detector import PeakDetector
from envlab.chain import Chain
from envlab.light.curve import BrightnessMap
from envlab.study.feedback import WARN_FROM, Coupling, gain_of_loop
from envlab.study.feedback_verdict import LARGEST_FARAD, judge_feedback
from envlab.study.sentences import of_kind

CHAIN = Chain(brightness=BrightnessMap(66.0, 102.0), detector=PeakDetector(4.7e3, 1e-6, 100e3))
GOOD, UNFILTERED = Coupling(), Coupling(rail_rejection_db=12.0, decoupling_ohm=0.0)
SHARED = Coupling(ground_ohm=0.02)


def test_a_good_board_needs_nothing():
    verdict = judge_feedback(CHAIN, GOOD)
    assert verdict.gain == gain_of_loop(CHAIN, GOOD) < WARN_FROM
    assert verdict.mends == ()
    assert verdict.lit_after_knock == (0.0, 0.0)
    assert of_kind(verdict.sentences, "feedback_mend") == ()


def test_each_way_is_the_loop_with_the_other_one_cut():
    # Well under the preamp's swing: what is clipped does not add up.
    both = Coupling(rail_rejection_db=10.0, ground_ohm=1e-3)
    verdict = judge_feedback(CHAIN, both)
    assert verdict.rail_gain == gain_of_loop(CHAIN, replace(both, ground_ohm=0.0))
    assert verdict.ground_gain == gain_of_loop(CHAIN, replace(both, rail_ohm=0.0))
    assert verdict.gain > max(verdict.rail_gain, verdict.ground_gain) > 0


def test_the_ground_that_mends_is_as_large_as_it_may_be():
    (mend,) = judge_feedback(CHAIN, SHARED).mends
    assert mend.gain == gain_of_loop(CHAIN, mend.coupling) < WARN_FROM
    # A twentieth of a decade more would not do.
    more = replace(mend.coupling, ground_ohm=mend.coupling.ground_ohm * 10 ** (1 / 20))
    assert gain_of_loop(CHAIN, more) >= WARN_FROM
    assert replace(mend.coupling, ground_ohm=SHARED.ground_ohm) == SHARED


def test_the_capacitor_that_mends_is_the_smallest_of_its_series():
    weak = Coupling(rail_rejection_db=6.0)
    (mend,) = judge_feedback(CHAIN, weak).mends
    assert mend.gain == gain_of_loop(CHAIN, mend.coupling) < WARN_FROM
    below = {22e-6: 10e-6, 47e-6: 22e-6, 100e-6: 47e-6, 220e-6: 100e-6}
    less = replace(mend.coupling, decoupling_farad=below[round(mend.coupling.decoupling_farad, 9)])
    assert gain_of_loop(CHAIN, less) >= WARN_FROM


def test_where_there_is_no_filter_one_is_proposed():
    verdict = judge_feedback(CHAIN, UNFILTERED)
    (mend,) = verdict.mends
    assert mend.coupling.decoupling_ohm > 0
    assert gain_of_loop(CHAIN, mend.coupling) < WARN_FROM
    (said,) = of_kind(verdict.sentences, "feedback_mend")
    assert "in the place of no filter" in said.text


def test_one_change_alone_is_not_proposed_where_it_takes_both():
    verdict = judge_feedback(CHAIN, replace(SHARED, rail_rejection_db=0.0))
    (mend,) = verdict.mends
    assert mend.coupling.ground_ohm == 0
    assert mend.coupling.decoupling_farad > SHARED.decoupling_farad
    assert gain_of_loop(CHAIN, replace(SHARED, rail_rejection_db=0.0, ground_ohm=0.0)) >= WARN_FROM


def test_what_nothing_mends_is_said():
    hopeless = Coupling(rail_ohm=10.0, rail_rejection_db=0.0, decoupling_ohm=1.0, pwm_hz=100.0)
    verdict = judge_feedback(CHAIN, hopeless)
    largest = replace(hopeless, decoupling_farad=LARGEST_FARAD)
    assert gain_of_loop(CHAIN, largest) >= WARN_FROM
    assert verdict.mends == ()
    (said,) = of_kind(verdict.sentences, "feedback_mend")
    assert said.behind == {"largest_farad": LARGEST_FARAD}


def test_a_loop_that_keeps_itself_alight_is_lit_after_the_knock():
    verdict = judge_feedback(CHAIN, UNFILTERED)
    assert verdict.gain > 1
    assert verdict.lit_after_knock == (1.0, 0.0)
    (said,) = of_kind(verdict.sentences, "feedback_knock")
    assert "100 % of the frames are lit by the lights' own current" in said.text


@pytest.mark.parametrize("coupling", [GOOD, UNFILTERED, SHARED])
def test_sentences_carry_the_numbers_that_they_rest_on(coupling):
    verdict = judge_feedback(CHAIN, coupling)
    (said,) = of_kind(verdict.sentences, "feedback")
    assert said.behind == {"gain": verdict.gain, "asked": WARN_FROM}
    assert ("keeps itself alight" in said.text) == (verdict.gain >= WARN_FROM)
    assert len(of_kind(verdict.sentences, "feedback_assumed")) == 1
    assert all(math.isfinite(float(number)) for one in verdict.sentences for number in one.behind.values())
