"""The report on layouts of light: every layout, its numbers, its strip; no claim without judgement."""

from __future__ import annotations

import dataclasses

import pytest

from envlab.light.layout.layout import Layout
from envlab.report.facts import supply_sentences
from envlab.report.layouts import layouts_section
from envlab.report.page import page_text
from envlab.report.pictures import pictures_of
from envlab.study.layouts.comparison import judge_layouts
from envlab.study.layouts.plays import play_of
from envlab.study.layouts.words import table_rows
from envlab.study.sentences import of_kind


@pytest.fixture(scope="module")
def found(case):
    return judge_layouts(case.specification, case.choice.chain)


@pytest.fixture(scope="module")
def read(case, found, reader):
    pictures = pictures_of(case.specification, case.choice, case.lights, layouts=found)
    page = page_text(case.specification, case.choice, case.lights, pictures, layouts=found)
    seen = reader()
    seen.feed(page)
    seen.close()
    seen.text = " ".join(seen.text.split())
    return seen


def test_every_sentence_stands_in_the_page_once(read, found):
    for one in found.sentences:
        assert read.text.count(" ".join(one.text.split())) == 1, one.text


def test_the_table_has_every_layout(read, found):
    rows = [tuple(" ".join(cell.split()) for cell in row) for row in read.rows]
    for cells in table_rows(found):
        first = f"{cells[0]}, this design" if cells[0] == found.worn else cells[0]
        assert (first, *cells[1:]) in rows


def test_the_picture_is_there_with_words_in_its_place(read, found):
    assert "layouts" in [attributes["id"] for tag, attributes in read.tags if tag == "figure"]
    (label,) = [
        a["aria-label"] for tag, a in read.tags if tag == "svg" and "layout" in a.get("aria-label", "")
    ]
    for one in found.figures:
        assert f"{one.name} L* {one.equal_lit_lstar:.0f}" in label


def test_what_the_designs_own_regions_do_is_told_to_everybody(found):
    assert not any("travelling”: pixels" in text for text in layouts_section(found).sentences)
    worn = dataclasses.replace(found, worn="travelling")
    (region,) = [
        one for one in of_kind(worn.sentences, "layouts_region") if one.behind.get("layout") == "travelling"
    ]
    assert region.behind["region_flashes_per_s"] > 3
    section = layouts_section(worn)
    assert region.text in [text.replace("\u00a0", " ") for text in section.sentences]
    assert region.text not in [text.replace("\u00a0", " ") for text in section.details]


def test_without_a_comparison_there_is_no_section(page):
    assert layouts_section(None) is None
    assert "Which pixels light" not in page


def test_where_nothing_was_judged_the_page_says_so_and_draws_nothing(case, found, pictures, power):
    nothing = dataclasses.replace(
        found, figures=(), clips=(), scene=None, not_judged={"silence 60 dB": "it is silent"}
    )
    made = pictures_of(case.specification, case.choice, case.lights, power=power, layouts=nothing)
    assert made.keys() == pictures.keys()
    page = page_text(case.specification, case.choice, case.lights, pictures, layouts=nothing)
    section = page[page.index("Which pixels light") :].partition("</div>")[0]
    assert "Not judged, silence 60\u00a0dB: it is silent." in section
    assert "favour" not in section and "Every layout of light" not in page


def test_of_a_layout_nothing_is_said_that_holds_for_pixels_alike_only(case):
    layout = dataclasses.replace(case.choice.chain, layout=Layout("from_end"))
    (alike,), (said,) = supply_sentences(case.choice.chain), supply_sentences(layout)
    assert "no duty is above the limit" in alike
    assert "no duty" not in said
    assert f"the light of all at a duty of {layout.duty_limit:.3f}" in said
    # What is claimed: the codes of all pixels at full light, over all at full.
    full = play_of(layout)
    assert full.at_full.sum() / (24 * full.full_code) <= layout.duty_limit
    assert full.at_full.max() / full.full_code > layout.duty_limit
