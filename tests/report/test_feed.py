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
from envlab.study.specification.parts_list import parts_list
from envlab.study.sweep.choice import Choice

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


def banked(choice: Choice) -> Choice:
    return dataclasses.replace(choice, chain=dataclasses.replace(choice.chain, supply=BANK.supply))


def test_hours_of_the_cells_that_are_listed_are_told(case: Case) -> None:
    running = feed_sentences(case.choice)[0]
    mean_a = float(case.choice.row["supply_mean_a"])
    supply = case.choice.chain.supply
    power_w = mean_a * supply.volts / supply.efficiency
    # 80 % of 2 · 3 Ah · 3.6 V, and 85 % of that at 0 °C: the table of light/power/battery.py.
    assert running.behind == {
        "supply_mean_a": mean_a,
        "power_w": pytest.approx(power_w),
        "warm_h": pytest.approx(21.6 * 0.8 / power_w),
        "cold_h": pytest.approx(21.6 * 0.8 * 0.85 / power_w),
    }
    listed = next(part for part in parts_list(case.choice.chain) if part.kind == "pack")
    assert listed.specification.startswith("2 lithium-ion cells in series, 3 Ah")
    for said in (f"{power_w:.2g} W out of the cells", "2 cells in series of 3 Ah, as listed, last"):
        assert said in running.text
    assert f"{running.behind['warm_h']:.2g} h at 25 °C" in running.text
    assert running.text.endswith("envlab supply takes the capacity of yours.")
    assert "not judged" not in running.text


def test_hours_of_a_power_bank_are_told_for_ten_watt_hours_because_no_capacity_is_known(case: Case) -> None:
    choice = banked(case.choice)
    # As little as 2 A can give: the small board's pixels take more.
    choice = dataclasses.replace(choice, table=choice.table.assign(supply_mean_a=0.8))
    running = feed_sentences(choice)[0]
    power_w = 0.8 * 5.0 / BANK.supply.efficiency
    assert running.behind["warm_h"] == pytest.approx(8.0 / power_w)
    assert running.behind["cold_h"] == pytest.approx(8.0 * 0.85 / power_w)
    for said in ("states no capacity", "2.8 Ah at 3.6 V are 10 Wh", "each 10 Wh of it last"):
        assert said in running.text


def test_without_any_clip_that_shows_the_current_no_hours_are_told(case: Case) -> None:
    table = case.choice.table.assign(supply_mean_a=float("nan"))
    (running, _) = feed_sentences(dataclasses.replace(case.choice, table=table))
    assert running.text == "How long it lasts is not judged: no clip shows what is drawn."


def test_drops_before_the_pixels_are_said_not_to_be_counted(case: Case) -> None:
    of_cells = feed_sentences(case.choice)[1]
    assert "plugs and wires between converter and pixels drop" in of_cells.text
    assert "5 V that are counted with" in of_cells.text
    assert "what fuse, its holder, plugs and wires drop" in feed_sentences(banked(case.choice))[1].text


def test_the_page_says_all_of_it(case: Case, pictures: dict[str, Picture]) -> None:
    chain = dataclasses.replace(case.choice.chain, supply=BANK.supply, pixels=BANK.pixels)
    choice = dataclasses.replace(case.choice, chain=chain)
    page = page_text(case.specification, choice, case.lights, pictures).replace("\u00a0", " ")
    for told in (*bank_sentences(chain), *feed_sentences(choice)):
        assert told.text in page
