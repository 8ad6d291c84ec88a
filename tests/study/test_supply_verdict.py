"""The verdict on the pixels' pulses: each relief just does it, and sentences rest on numbers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.design_file import read_design
from envlab.light.pixels import Pixels
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
