"""Every sentence of the comparison rests on the numbers of the layouts that it names."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from envlab.light.viewing import Viewing
from envlab.study.layouts.comparison import LayoutComparison
from envlab.study.layouts.figures import ClipDuties, figures_of
from envlab.study.layouts.words import HEADINGS, KINDS, table_rows
from envlab.study.sentences import of_kind

NEAR_M = 3.0


def with_guard(duties):
    """The same behind the guard of every layout."""
    return dict.fromkeys(("alike", "share", "bar", "travelling", "blinking"), duties)


def comparison(made, board, names, clip, **changed) -> LayoutComparison:
    viewing = Viewing(distance_m=NEAR_M, width_m=0.6)
    plays = {name: getattr(made, name) for name in names}
    figures = figures_of(plays, [clip], board, viewing, limit_codes=24 * 64 * 3)
    found = LayoutComparison(
        figures=figures,
        worn=names[0],
        viewing=viewing,
        limit_a=board.supply.limit_a,
        flash_limit=3.0,
        clips=(clip.label,),
        not_judged={},
        scene=None,
        made_up_weights=False,
    )
    return replace(found, **changed)


@pytest.fixture
def beat(made):
    duties = np.where(np.arange(300) % 50 < 25, made.full_duty, 0)
    return ClipDuties("beat", duties, with_guard(duties))


@pytest.fixture
def fast(made):
    duties = np.where(np.arange(300) % 20 < 10, made.full_duty, 0)
    return ClipDuties("fast", duties, with_guard(np.full(300, made.full_duty)))


def said(found, kind):
    (one,) = of_kind(found.sentences, kind)
    return one


def test_every_sentence_is_of_a_known_kind_and_ends_as_one(made, board, beat, fast):
    for clip in (beat, fast):
        found = comparison(made, board, ("alike", "share", "bar", "travelling", "blinking"), clip)
        assert {one.kind for one in found.sentences} <= set(KINDS)
        for one in found.sentences:
            assert one.text.endswith(".")
            assert "nan" not in one.text
            assert "inf" not in one.text.replace("inform", "")


def test_what_is_hard_is_said_of_all_that_keep_it(made, board, beat):
    found = comparison(made, board, ("alike", "share", "bar"), beat)
    limit = said(found, "layouts_limit")
    assert limit.behind["flashes_per_s"] == max(one.flashes_per_s for one in found.figures)
    assert limit.behind["peak_a"] == max(one.peak_a for one in found.figures)
    assert limit.text.startswith("All keep")
    assert of_kind(found.sentences, "layouts_over") == ()


def test_who_breaks_what_is_hard_is_named_and_favoured_nowhere(made, board, fast):
    found = comparison(made, board, ("alike", "share", "travelling"), fast)
    over = of_kind(found.sentences, "layouts_over")
    assert [one.behind["layout"] for one in over] == ["alike", "share"]
    assert {one.behind["flashes_per_s"] for one in over} == {found.of("alike").flashes_per_s}
    assert said(found, "layouts_limit").text.startswith("The others keep")
    for kind in ("layouts_near", "layouts_far"):
        assert said(found, kind).behind["favoured"] == ""
        assert "alike" not in said(found, kind).text
    broken = replace(found.figures[2], most_codes=found.figures[2].limit_codes + 1, peak_a=4.2)
    none = replace(found, figures=(broken,))
    (current,) = of_kind(none.sentences, "layouts_over")
    assert current.behind == {"layout": "travelling", "peak_a": 4.2, "limit_a": found.limit_a}
    assert "favour none" in said(none, "layouts_near").text
    assert of_kind(none.sentences, "layouts_limit") == ()


def test_near_and_far_name_who_leads_with_the_numbers(made, board):
    half = np.where(np.arange(300) % 50 < 25, made.full_duty // 2 + 1, 0)
    found = comparison(made, board, ("alike", "share", "bar"), ClipDuties("half", half, with_guard(half)))
    near = said(found, "layouts_near")
    assert near.behind["equal_lit_lstar, led by"] == "bar"
    assert near.behind["equal_lit_lstar"] == found.of("bar").equal_lit_lstar
    assert near.behind["contrast_near_lstar, led by"] == "alike, share"
    assert near.behind["step_near_lstar, led by"] == "share"
    assert near.behind["favoured"] == "share"
    assert near.text.startswith("Near by the numbers favour “share”: ")
    assert "“bar”, L* 100 (“alike”: L* 42)" in near.text
    far = said(found, "layouts_far")
    assert far.behind["contrast_far_lstar, led by"] == "alike, share, bar"
    assert "the same for all to L* 1, L* 76" in far.text
    assert far.behind["step_far_lstar, led by"] == "share"


def test_numbers_that_lead_apart_are_called_divided(made, board, beat):
    found = comparison(made, board, ("alike", "share"), beat)
    alike, share = found.figures
    alike = replace(alike, contrast_near_lstar=80.0, steps=share.steps)
    near = said(replace(found, figures=(alike, replace(share, contrast_near_lstar=60.0))), "layouts_near")
    assert near.text.startswith("Near by the numbers are divided: ")
    assert near.behind["favoured"] == "share, alike"


def test_current_and_light_afar(made, board, beat):
    found = comparison(made, board, ("alike", "share", "travelling"), beat)
    current = said(found, "layouts_current")
    share = found.of("share")
    # Of the two that take least: half of the time a quarter of full light.
    assert current.behind["equal_cd"] == pytest.approx(share.intensity_cd)
    assert current.behind["equal_lux"] == pytest.approx(found.viewing.illuminance_lx(share.intensity_cd))
    assert "Each was dimmed to" in current.text
    alone = comparison(made, board, ("share",), beat)
    assert "dimmed" not in said(alone, "layouts_current").text


def test_a_region_that_flashes_while_the_whole_does_not(made, board, beat):
    found = comparison(made, board, ("alike", "travelling"), beat)
    region = said(found, "layouts_region")
    assert region.behind["layout"] == "travelling"
    assert region.behind["region_flashes_per_s"] == 5
    assert region.behind["flashes_per_s"] == found.of("travelling").flashes_per_s == 0
    assert f"pixels {region.behind['first_pixel']} to" in region.text
    area = said(found, "layouts_area")
    assert area.behind["flashing_pixels"] == 24
    # 0.6 m square at 3 m fill 0.04 sr, far more than 0.006.
    assert area.behind["seen_sr"] == pytest.approx(found.viewing.solid_angle_sr())
    assert ", more than the 0.006 sr" in area.text
    assert "only informs" in area.text


def test_one_pixel_that_blinks(made, board, beat):
    found = comparison(made, board, ("blinking",), beat, viewing=Viewing(distance_m=30.0))
    area = said(found, "layouts_area")
    assert area.behind["flashing_pixels"] == 1
    assert area.behind["small_from_m"] == pytest.approx(found.viewing.small_from_m(1 / 24))
    assert "the pixel that flashes so fills" in area.text
    assert ", less than the 0.006 sr" in area.text


def test_where_no_region_flashes_it_is_said_with_the_count(made, board, beat):
    found = comparison(made, board, ("alike", "share"), beat)
    region = said(found, "layouts_region")
    assert region.behind["region_flashes_per_s"] == max(one.regions.worst_per_s for one in found.figures)
    assert of_kind(found.sentences, "layouts_area") == ()


def test_a_whole_that_flashes_is_not_told_again_for_its_runs(made, board, fast):
    """Pixels that are alike flash five times as the whole does: that is said of the whole."""
    found = comparison(made, board, ("alike", "share"), fast)
    region = said(found, "layouts_region")
    assert region.behind == {"region_flashes_per_s": found.of("alike").flashes_per_s}
    assert of_kind(found.sentences, "layouts_area") == ()


def test_what_is_assumed_is_said(made, board, beat):
    found = comparison(made, board, ("alike",), beat, made_up_weights=True)
    assumed = said(found, "layouts_assumed")
    assert assumed.behind["distance_m"] == NEAR_M
    assert assumed.behind["optical_range_m"] == pytest.approx(9949, abs=1)
    assert "weights" in assumed.text
    # What the design states is told apart from what was taken in its place.
    assert assumed.text.startswith(
        f"As stated: spectators at {NEAR_M:g} m. As usual, [viewing] can state it: air"
    )
    usual = said(comparison(made, board, ("alike",), beat, viewing=Viewing()), "layouts_assumed")
    assert "stated:" not in usual.text
    clear = comparison(made, board, ("alike",), beat, viewing=Viewing(transmissivity_per_km=1.0))
    assert "takes nothing" in said(clear, "layouts_assumed").text


def test_what_was_not_judged_is_said(made, board):
    dark = np.zeros(200, int)
    found = comparison(
        made,
        board,
        ("alike", "share"),
        ClipDuties("dark", dark, with_guard(dark), "it is without any beat"),
        not_judged={"weights": "there are none"},
    )
    unsaid = of_kind(found.sentences, "layouts_not_judged")
    assert unsaid[0].text == "Not judged, weights: there are none."
    assert "no clip lights a pixel" in unsaid[-1].text
    assert of_kind(found.sentences, "layouts_current") == ()
    near = said(found, "layouts_near")
    assert "contrast on the beat is not judged" in near.text
    assert math.isnan(near.behind["contrast_near_lstar"])


def test_the_table_has_every_layout_and_its_numbers(made, board, beat):
    found = comparison(made, board, ("alike", "share", "travelling"), beat)
    rows = {row[0]: dict(zip(HEADINGS, row, strict=True)) for row in table_rows(found)}
    assert rows["share"]["Lit|pixels"] == "6.0"
    assert rows["share"]["Mean|current, A"] == f"{found.of('share').mean_a:.2f}"
    assert rows["alike"]["Contrast, L*|near / far"] == "100 / 100"
    assert rows["travelling"]["Flashes|free / guarded"] == "0 / 0"
    assert rows["travelling"]["Worst|region"] == "5"
