"""The drop to the last pixel as a verdict: each relief just does it, and sentences rest on numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from envlab.chain import Chain
from envlab.light.pixels import Pixels
from envlab.light.power.feed import Feed
from envlab.light.power.pulses import Pulses
from envlab.study.power.feed_verdict import judge_feed
from envlab.study.sentences import of_kind

THIN = Chain(feed=Feed("start", 0.04, 0.22, 0.5))


def test_in_a_pulse_every_pixel_takes_all_of_it():
    # One pixel: 0.451 A through 1 m of 0.5 mm², 2 · 0.5 m · 0.03448 Ω/m: 15.6 mV; the mean is its duty of 1.
    one = Chain(pixels=Pixels(count=1), feed=Feed("start", 0.04, 0.5, 0.5))
    verdict = judge_feed(one)
    assert verdict.pulse_v == pytest.approx(5.0 - 0.451 * 0.03448)
    assert verdict.mean_v == pytest.approx(verdict.pulse_v)
    many = judge_feed(THIN)
    assert many.pulse_v < many.mean_v < 5.0
    assert many.pixel == 24


def test_groups_that_begin_one_after_the_other_drop_less():
    together, spread = judge_feed(THIN), judge_feed(THIN, pulses=Pulses(400.0, 4))
    assert spread.pulse_v > together.pulse_v
    assert spread.mean_v == together.mean_v


def test_a_rail_that_is_down_already_counts():
    assert judge_feed(THIN, 4.0).pulse_v == pytest.approx(judge_feed(THIN).pulse_v - 1.0)


@pytest.mark.parametrize("chain", [THIN, Chain(), replace(THIN, pixels=Pixels(count=40))])
def test_each_relief_does_it_and_no_thinner_wire_would(chain):
    verdict = judge_feed(chain)
    assert not verdict.keeps
    assert verdict.reliefs
    for one in verdict.reliefs:
        fed = judge_feed(replace(chain, feed=one.feed))
        assert fed.pulse_v == pytest.approx(one.lowest_v)
        assert fed.keeps
    thicker = [one.feed.copper_mm2 for one in verdict.reliefs if one.feed.fed_from == chain.feed.fed_from]
    for mm2 in thicker:
        below = max(one for one in (0.2, 0.22, 0.34, 0.5, 0.75, 1.0, 1.5) if one < mm2)
        assert not judge_feed(replace(chain, feed=replace(chain.feed, wire_mm2=below))).keeps
    assert len(of_kind(verdict.sentences, "feed_relief")) == len(verdict.reliefs)


def test_the_ways_are_what_they_would_be():
    for way, volts in judge_feed(THIN).ways.items():
        assert judge_feed(replace(THIN, feed=replace(THIN.feed, fed_from=way))).pulse_v == volts


def test_copper_that_cannot_carry_it_is_said():
    hopeless = replace(THIN, pixels=Pixels(count=200), feed=Feed("start", 0.1, 0.05, 2.0))
    verdict = judge_feed(hopeless)
    assert verdict.pulse_v == 0.0
    (said,) = of_kind(verdict.sentences, "feed_drop")
    assert "gives its last pixel nothing" in said.text


def test_thick_and_short_is_kept_and_asks_for_nothing():
    verdict = judge_feed(Chain(pixels=Pixels(10, 3, 0.02, 0.001), feed=Feed("both_ends", 0.02, 1.0, 0.2)))
    assert verdict.keeps
    assert verdict.reliefs == ()
    assert of_kind(verdict.sentences, "feed_relief", "feed_loss") == ()
    (said,) = of_kind(verdict.sentences, "feed_drop")
    assert said.behind["pulse_v"] == verdict.pulse_v
    assert "A chain of 10 fed from both ends over 1 mm²" in said.text


def test_each_data_line_has_a_chain_of_its_own():
    split = judge_feed(replace(THIN, pixels=Pixels(count=24, data_lines=3)))
    assert split.pixels == 8
    assert split.pulse_v > judge_feed(THIN).pulse_v
