"""All that feeds a board as one verdict: rows against their numbers, the reset named before it comes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from envlab.chain import Chain
from envlab.light.layout.layout import Layout
from envlab.light.pixels import Pixels, Supply, supply_duty_limit
from envlab.light.power.battery import Pack
from envlab.light.power.cells import Cells
from envlab.light.power.feed import Feed
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.chosen_on_clips import ClipLight, light_on_clips, relit
from envlab.study.pack_verdict import judge_pack
from envlab.study.power.power_verdict import ABOUT, PowerVerdict, judge_power
from envlab.study.sentences import of_kind
from envlab.study.specification.specification import Specification, demo_specification

FAST = {"pwm_hz": 16e3}


@pytest.fixture(scope="module")
def asked() -> Specification:
    time_s = np.arange(96_000) / 48_000
    loud = Recording(np.sin(2 * np.pi * 200 * time_s) * np.exp(-(time_s % 0.5) / 0.1), 48_000.0, "knocks")
    return replace(demo_specification(), clips=(Clip(loud, 108.0, ("beat",)),))


@pytest.fixture(scope="module")
def lights(asked: Specification) -> tuple[ClipLight, ...]:
    return light_on_clips(asked, asked.chain)


def judged(asked: Specification, lights: tuple[ClipLight, ...], **stages: object) -> PowerVerdict:
    chain = replace(asked.chain, **stages)  # type: ignore[arg-type]
    return judge_power(asked, chain, relit(lights, chain))


def row(verdict: PowerVerdict, key: str):
    return next(one for one in verdict.rows if one.key == key)


def test_the_demo_keeps_all_that_is_asked(asked, lights):
    verdict = judged(asked, lights)
    assert verdict.missed == ()
    assert [one.key for one in verdict.rows] == [
        "margin",
        "droop",
        "rail",
        "hours",
        "feed",
        "feedback",
    ]
    assert set(ABOUT) == {one.key for one in verdict.rows}
    for one in verdict.rows:
        assert verdict.about(one) or one.met is not False


def test_how_near_the_clips_come_to_the_limit_is_said(asked, lights):
    verdict = judged(asked, lights)
    peak_a = max(float(one.current_a.max()) for one in lights)
    assert verdict.beat.mean_a == peak_a
    assert verdict.drawn_share == pytest.approx(peak_a / 3.0)
    margin = row(verdict, "margin")
    assert margin.met
    assert margin.asked == "at most 2.7 A"
    assert f"{peak_a:.3g} A, {100 * peak_a / 3:.0f} % of the limit" == margin.value
    (said,) = of_kind(verdict.sentences, "margin")
    assert "10 % are to stay free" in said.text


def test_without_a_margin_the_table_goes_up_to_the_limit(asked, lights):
    bare = replace(asked.chain.supply, margin=0.0)
    verdict = judged(asked, lights, supply=bare)
    assert verdict.beat.mean_a == pytest.approx(3.0, abs=1e-3)
    assert "no margin is asked" in of_kind(verdict.sentences, "margin")[0].text


def test_slow_pixels_miss_the_droop_and_the_reset_is_named(asked, lights):
    verdict = judged(asked, lights, pixels=Pixels(24, 3, 0.15, 0.001))
    assert {one.key for one in verdict.missed} >= {"droop", "rail"}
    assert verdict.warm is not None
    assert verdict.warm.brown_out_hours == 0.0
    assert verdict.warm.hours_after == 0.0
    (said,) = of_kind(verdict.about(row(verdict, "rail")), "pack_reset")
    assert "resets below 4.3 V: it does at the first loud beat" in said.text


def test_a_pack_that_sags_resets_the_controller_before_its_cells_are_empty(asked, lights):
    # One that steps down from 6 V and needs 6.6 V at its input: under that the rail follows the pack.
    supply = replace(asked.chain.supply, least_input_v=6.6, brown_out_v=4.7)
    verdict = judged(asked, lights, supply=supply, pack=Pack(cells=2, cell_ohm=0.05))
    warm = verdict.warm
    assert warm is not None
    assert 0 < warm.brown_out_hours < warm.hours
    assert 0 < warm.charge_left < warm.brown_out_charge < 1
    assert warm.hours_after == pytest.approx(warm.brown_out_hours - warm.clips_h, rel=1e-2)
    # At that charge the loudest beat leaves just 4.7 V.
    at = np.interp(warm.brown_out_hours, warm.course.hours, warm.course.rail_v)
    assert at == pytest.approx(4.7, abs=0.02)
    assert warm.rail_full_v > 4.7 > warm.rail_end_v
    (said,) = of_kind(warm.sentences, "pack_reset")
    assert f"after {warm.brown_out_hours:.1f} hours" in said.text
    assert row(verdict, "rail").met is False


def test_cold_cells_last_less(asked, lights):
    verdict = judged(asked, lights)
    assert verdict.warm is not None
    assert verdict.cold is not None
    # The coldest of the demo's nights.
    assert (verdict.warm.temperature_c, verdict.cold.temperature_c) == (25.0, -10.0)
    assert verdict.cold.hours_after < verdict.warm.hours_after
    assert row(verdict, "hours").value.endswith("h at −10 °C")


def test_the_controllers_current_shortens_the_night_and_takes_of_the_light(asked, lights):
    hungry = replace(asked.chain.supply, controller_a=0.3)
    assert supply_duty_limit(asked.chain.pixels, hungry) < asked.chain.duty_limit
    usual, short = judged(asked, lights), judged(asked, lights, supply=hungry)
    assert usual.warm is not None
    assert short.warm is not None
    assert short.warm.mean_w > usual.warm.mean_w
    assert short.warm.hours_after < usual.warm.hours_after


def test_during_a_pulse_the_converter_gives_its_limit(asked, lights):
    verdict = judge_pack(asked, asked.chain, Cells(0.05), lights=lights)
    # 3 A at 5 V behind 90 %; the loudest frame's mean is a tenth less.
    assert verdict.pulse_w == pytest.approx(15.0 / 0.9)
    assert verdict.pulse_w > verdict.peak_w
    small = replace(asked.chain, pixels=Pixels(4, 3, 0.15, 0.001, **FAST))
    few = judge_pack(asked, small, Cells(0.05), lights=relit(lights, small))
    # 4 pixels: 1.8 A and 4 mA and the controller's 30 mA at once, by the two points of its data sheet.
    assert few.pulse_w == pytest.approx(small.supply.losses.input_w(5.0 * 1.834))


def test_a_power_bank_has_no_cells_to_tell_of(asked, lights):
    verdict = judged(asked, lights, supply=Supply(3.0, fed_by="power_bank"), pixels=Pixels(**FAST))
    assert verdict.warm is None
    assert verdict.cold is None
    assert "hours" not in [one.key for one in verdict.rows]
    assert verdict.lowest_rail_v == pytest.approx(5.0 - verdict.beat.droop_v)


def test_what_is_taken_for_what_is_not_stated_is_said_with_its_key(asked, lights):
    bare = Chain(supply=Supply(margin=0.1, controller_a=None), pixels=Pixels())
    verdict = judge_power(asked, bare, relit(lights, bare))
    (said,) = of_kind(verdict.sentences, "power_assumed")
    for key, text in (
        ("[pixels] pwm_hz", "400 Hz"),
        ("[supply] controller_a", "20 mA"),
        ("[supply] light_load_efficiency", "0.9"),
        ("[supply] brown_out_v", "4.3 V"),
        ("[supply] least_input_v", "5.5 V"),
        ("[pack] cell_ohm", "60 mΩ"),
        ("[feed] pitch_m", "4 cm"),
        ("[feed] wire_mm2", "0.2 mm²"),
        ("[feed] lead_m", "0.5 m"),
        ("[feed] pixel_needs_v", "3.5 V"),
    ):
        assert f"{key}: {text}" in said.text
        assert key in said.behind


def test_where_all_is_stated_nothing_is_taken(asked, lights):
    supply = Supply(3.0, margin=0.1, controller_a=0.03, light_load_a=0.1, light_load_efficiency=0.8)
    supply = replace(supply, brown_out_v=4.3, least_input_v=5.5)
    feed = Feed("both_ends", 0.04, 0.5, 0.6, 3.6)
    verdict = judged(asked, lights, supply=supply, feed=feed, pack=Pack(cell_ohm=0.05))
    (said,) = of_kind(verdict.sentences, "power_assumed")
    assert said.behind == {}
    assert said.text == "Every value of the supply that is reckoned with is stated."


def test_of_another_layout_it_is_said_what_is_reckoned_with(asked, lights):
    (said,) = of_kind(judged(asked, lights, layout=Layout("from_end")).sentences, "power_layout")
    assert "with all pixels alike" in said.text
    assert of_kind(judged(asked, lights).sentences, "power_layout") == ()


def test_the_cautions_stand_where_the_hours_do(asked, lights):
    verdict = judged(asked, lights)
    (said,) = of_kind(verdict.sentences, "pack_caution")
    for words in ("only protected cells", "a fuse at the pack", "no charging below 0 °C", "Local codes"):
        assert words in said.text


def test_every_number_behind_a_sentence_is_one(asked, lights):
    for one in judged(asked, lights).sentences:
        for number in one.behind.values():
            assert isinstance(number, str) or not math.isnan(float(number)), one.kind
