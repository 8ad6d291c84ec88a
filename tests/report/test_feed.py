"""What the report says of pack and power bank, against the current and the parts that it speaks of."""

from __future__ import annotations

import dataclasses

import pytest
from reference.small_specification import Case

from envlab.chain import Chain
from envlab.circuit.circuit import circuit_of
from envlab.light.pixels import Pixels, Supply
from envlab.report.feed import bank_sentences, feed_sentences
from envlab.report.page import page_text
from envlab.report.pictures import Picture

BANK = Chain(
    pixels=Pixels(count=50, channels=3, channel_a=0.02, idle_a=0.001),
    supply=Supply(limit_a=2.0, fed_by="power_bank"),
)


def test_a_power_bank_has_two_things_that_are_not_judged_and_what_to_try() -> None:
    (told,) = bank_sentences(BANK)
    bulk = circuit_of(BANK).component("C30")
    assert told.kind == "not judged"
    assert told.behind == {"bulk_farad": bulk.value, "idle_a": pytest.approx(50 * 0.001)}
    for said in ("not judged", "start with C30 (1m) empty", "0.05 A", "common practice, no source"):
        assert said in told.text
    assert bank_sentences(dataclasses.replace(BANK, supply=Supply())) == []


def test_hours_are_told_for_ten_watt_hours_because_no_capacity_is_known(case: Case) -> None:
    running = feed_sentences(case.choice)[0]
    mean_a = float(case.choice.row["supply_mean_a"])
    supply = case.choice.chain.supply
    power_w = mean_a * supply.volts / supply.efficiency
    # 80 % of 10 Wh, and 85 % of that at 0 °C: the table of light/power/battery.py.
    assert running.behind == {
        "supply_mean_a": mean_a,
        "power_w": pytest.approx(power_w),
        "warm_h": pytest.approx(10 * 0.8 / power_w),
        "cold_h": pytest.approx(10 * 0.8 * 0.85 / power_w),
    }
    for said in (f"{power_w:.2g} W out of the cells", f"{8 / power_w:.2g} h at 25 °C", "states no capacity"):
        assert said in running.text


def test_without_any_clip_that_shows_the_current_no_hours_are_told(case: Case) -> None:
    table = case.choice.table.assign(supply_mean_a=float("nan"))
    (running, _) = feed_sentences(dataclasses.replace(case.choice, table=table))
    assert running.text.endswith("No clip shows what is drawn.")
    assert "Wh" not in running.text


def test_drops_before_the_pixels_are_said_not_to_be_counted(case: Case) -> None:
    of_cells = feed_sentences(case.choice)[1]
    assert "plugs and wires between converter and pixels drop" in of_cells.text
    assert "5 V that are counted with" in of_cells.text
    banked = dataclasses.replace(
        case.choice, chain=dataclasses.replace(case.choice.chain, supply=BANK.supply)
    )
    assert "what fuse, its holder, plugs and wires drop" in feed_sentences(banked)[1].text


def test_the_page_says_all_of_it(case: Case, pictures: dict[str, Picture]) -> None:
    chain = dataclasses.replace(case.choice.chain, supply=BANK.supply, pixels=BANK.pixels)
    choice = dataclasses.replace(case.choice, chain=chain)
    page = page_text(case.specification, choice, case.lights, pictures).replace("\u00a0", " ")
    for told in (*bank_sentences(chain), *feed_sentences(choice)):
        assert told.text in page
