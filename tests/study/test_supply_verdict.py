"""The verdict on the pixels' pulses: each relief just does it, and sentences rest on numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.design_file import read_design
from envlab.light.pixels import Pixels, Supply
from envlab.light.power.pulses import Pulses, droop_v
from envlab.shipped import demo_design
from envlab.study.sentences import of_kind
from envlab.study.supply_verdict import LARGEST_FARAD, Relief, SupplyVerdict, judge_supply

CHAIN, MOON = Chain(), read_design(demo_design("garden-moon"))


def droops_v(chain: Chain, verdict: SupplyVerdict, relief: Relief) -> tuple[float, float]:
    """What the rail falls by with a relief, and with a little less of it."""

    def falls_v(duty=verdict.duty, farad=verdict.bulk_farad, **changed):
        return droop_v(duty, chain.pixels, chain.supply, replace(verdict.pulses, **changed), farad)

    value = relief.value
    if relief.kind == "capacitor":  # the next smaller one of E3
        return falls_v(farad=value), falls_v(farad=value / 2.3)
    if relief.kind == "pwm":
        return falls_v(pwm_hz=value), falls_v(pwm_hz=value / 1.01)
    if relief.kind == "phases":
        return falls_v(phases=int(value)), falls_v(phases=int(value) - 1)
    return falls_v(duty=value), falls_v(duty=1.01 * value)


@pytest.mark.parametrize("pulses", [Pulses(), Pulses(1500.0), Pulses(300.0, 2)])
@pytest.mark.parametrize("chain", [CHAIN, MOON])
def test_each_relief_alone_keeps_what_is_asked_and_less_would_not(chain, pulses):
    verdict = judge_supply(chain, pulses)
    assert not verdict.keeps
    assert {one.kind for one in verdict.reliefs} >= {"pwm", "phases"}
    for one in verdict.reliefs:
        kept_v, less_v = droops_v(chain, verdict, one)
        assert kept_v == pytest.approx(one.droop_v)
        assert kept_v <= verdict.asked_v * (1 + 1e-9) < less_v, one


def test_the_capacitor_is_that_of_the_parts_list():
    (bulk,) = [part for part in circuit_of(MOON).components if part.reference == "C30"]
    assert judge_supply(MOON).bulk_farad == bulk.value
    assert judge_supply(MOON, bulk=4.7e-3).bulk_farad == 4.7e-3


def test_a_capacitor_that_nobody_wears_is_not_proposed():
    verdict = judge_supply(CHAIN)
    falls_v = droop_v(verdict.duty, CHAIN.pixels, CHAIN.supply, Pulses(), LARGEST_FARAD)
    assert falls_v > verdict.asked_v
    assert "capacitor" not in {one.kind for one in verdict.reliefs}


def test_small_pixels_ask_for_nothing_more():
    verdict = judge_supply(replace(CHAIN, pixels=Pixels(10, 3, 0.020, 0.001)))
    assert verdict.keeps
    assert verdict.droop_v == 0
    assert verdict.reliefs == ()
    (said,) = of_kind(verdict.sentences, "supply_pulses")
    assert said.text == "No pulse of the pixels asks for more than that."
    assert of_kind(verdict.sentences, "supply_droop", "supply_relief", "supply_scatter") == ()


@pytest.mark.parametrize("pulses", [Pulses(), Pulses(100.0), Pulses(19_200.0), Pulses(400.0, 8)])
@pytest.mark.parametrize("chain", [CHAIN, MOON])
def test_sentences_rest_on_the_numbers(chain, pulses):
    verdict = judge_supply(chain, pulses)
    assert len(of_kind(verdict.sentences, "supply_relief")) == len(verdict.reliefs)
    assert (verdict.reliefs == ()) == verdict.keeps
    for said in of_kind(verdict.sentences, "supply_droop"):
        assert said.behind == {"droop_v": verdict.droop_v, "asked_v": verdict.asked_v}
        assert ("breaks down" in said.text) == (verdict.droop_v >= verdict.volts)
    (assumed,) = of_kind(verdict.sentences, "supply_assumed")
    assert assumed.behind["pwm_hz"] == pulses.pwm_hz
    (scatter,) = of_kind(verdict.sentences, "supply_scatter")
    assert scatter.behind["scatter_a"] == verdict.scatter_a
    # Behind a margin and beside a controller: of the mean what is planned with, and seldom above the limit.
    assert verdict.current.mean_a + verdict.controller_a == pytest.approx(verdict.usable_a)
    assert verdict.usable_a == pytest.approx(verdict.limit_a * (1 - chain.supply.margin))
    assert scatter.behind["over_share"] == verdict.over_share


@pytest.mark.parametrize("chain", [CHAIN, MOON])
def test_the_capacitor_that_is_needed_just_does_it(chain):
    verdict = judge_supply(chain, Pulses(), asked_v=0.1)
    falls_v = droop_v(verdict.duty, chain.pixels, chain.supply, Pulses(), verdict.needed_farad)
    assert falls_v == pytest.approx(0.1)
    assert verdict.asked_v == 0.1
    (said,) = of_kind(verdict.sentences, "supply_capacitor")
    assert said.behind == {"needed_farad": verdict.needed_farad}


PLANNED = replace(CHAIN, supply=Supply(3.0, margin=0.1, controller_a=0.03))


@pytest.mark.parametrize("chain", [PLANNED, MOON])
def test_what_trips_a_converter_at_its_limit(chain):
    verdict, supply = judge_supply(chain, Pulses()), chain.supply
    assert verdict.trips
    pixel_a = chain.pixels.channels * chain.pixels.channel_a
    standing_a = chain.pixels.count * chain.pixels.idle_a + supply.counted_controller_a
    assert standing_a + verdict.carried_pixels * pixel_a <= supply.limit_a
    assert standing_a + (verdict.carried_pixels + 1) * pixel_a > supply.limit_a
    spread, fewer = (
        judge_supply(chain, Pulses(400.0, phases))
        for phases in (verdict.trip_phases, verdict.trip_phases - 1)
    )
    assert not spread.trips
    assert fewer.trips
    (said,) = of_kind(verdict.sentences, "supply_trip")
    assert said.behind["peak_a"] == verdict.peak_a == pytest.approx(standing_a + chain.pixels.count * pixel_a)
    assert of_kind(spread.sentences, "supply_trip") == ()


@pytest.mark.parametrize("margin", [0.0, 0.1, 0.4])
def test_how_often_drifting_pixels_pass_the_limit_against_pixels_drawn_at_random(margin):
    chain = replace(CHAIN, supply=Supply(3.0, margin=margin, controller_a=0.03))
    verdict = judge_supply(chain)
    begun = np.random.default_rng(2).random((40_000, 24))
    drawn_a = 0.024 + 0.03 + 0.45 * np.count_nonzero(begun < verdict.duty, axis=1)
    # The standard error of a share from 40,000 draws is 0.25 %.
    assert verdict.over_share == pytest.approx(float(np.mean(drawn_a > 3.0)), abs=0.01)
    assert verdict.standing_a == pytest.approx(0.054)
    # The survival function of the binomial law [scipy.stats].
    expected = float(binom.sf(verdict.carried_pixels, 24, verdict.duty))
    assert verdict.over_share == pytest.approx(expected, rel=1e-12)
    assert expected > 0


def test_drifting_pixels_that_all_fit_never_pass_the_limit():
    assert judge_supply(replace(CHAIN, supply=Supply(20.0))).over_share == 0.0


def test_what_the_board_states_goes_before_what_is_usual():
    stated = replace(
        CHAIN,
        pixels=Pixels(pwm_hz=2000.0, pwm_phases=2),
        supply=Supply(bulk_farad=6.8e-3, droop_v=0.15),
    )
    verdict = judge_supply(stated)
    assert verdict.pulses == Pulses(2000.0, 2)
    assert (verdict.bulk_farad, verdict.asked_v) == (6.8e-3, 0.15)
    (bulk,) = [part for part in circuit_of(stated).components if part.reference == "C30"]
    assert bulk.value == 6.8e-3


def test_where_no_grouping_keeps_pulses_under_the_limit_none_is_named():
    # Without a margin the mean stands at the limit: any pulse above the mean is above it, too.
    verdict = judge_supply(CHAIN)
    assert verdict.trip_phases == 0
    (said,) = of_kind(verdict.sentences, "supply_trip")
    assert "groups" not in said.text
