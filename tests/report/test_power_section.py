"""The report's rows on what feeds the board and on its colour: every row and sentence stands on the page."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from reference.small_specification import Case

from envlab.light.costume_colour import CostumeColour
from envlab.report.folder import RESULTS, result_files
from envlab.report.page import page_text
from envlab.report.pictures import Picture
from envlab.report.power import GROUPS, LEFT_TO_THE_VERBS, colour_section, power_section
from envlab.study.chosen_on_clips import relit
from envlab.study.colour_verdict import ColourVerdict, judge_colour
from envlab.study.power.power_verdict import PowerVerdict


def plain(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").split())


@pytest.fixture(scope="module")
def in_red(case: Case) -> ColourVerdict:
    chain = dataclasses.replace(case.choice.chain, colour=CostumeColour("#ff0000", "#802010"))
    verdict = judge_colour(chain, relit(case.lights, chain), 3.0)
    assert verdict is not None
    return verdict


def test_every_row_stands_against_what_is_asked(seen: Any, power: PowerVerdict) -> None:
    rows = [[plain(cell) for cell in row] for row in seen.rows]
    for one in power.rows:
        assert [f"{one.name} {plain(one.meaning)}", plain(one.value), one.asked, one.verdict] in rows
    assert {one.met for one in power.rows} == {None, True, False}


def test_every_sentence_is_under_one_heading(seen: Any, power: PowerVerdict) -> None:
    told = [kind for kinds in GROUPS.values() for kind in kinds]
    assert len(told) == len(set(told))
    assert {one.kind for one in power.sentences} <= {*told, *LEFT_TO_THE_VERBS}
    assert set(told).isdisjoint(LEFT_TO_THE_VERBS)
    text = plain(seen.text)
    for one in power.sentences:
        assert (plain(one.text) in text) == (one.kind in told), one.kind
    assert "only protected cells" in text[text.index("Details") :]


def test_what_is_missed_is_told_with_what_would_do(seen: Any, power: PowerVerdict) -> None:
    text = plain(seen.text)
    assert power.missed
    for row in power.missed:
        for one in power.about(row):
            assert plain(one.text) in text[text.index("Details") :]
    # A board whose pixels state no frequency: the pulses are taken at 400 Hz, and said to be.
    assert "[pixels] pwm_hz: 400 Hz" in text


def test_its_words_stand_in_the_place_of_the_picture(
    pictures: dict[str, Picture], power: PowerVerdict
) -> None:
    said = pictures["power"].svg
    assert f"{power.supply.peak_a:.3g} A, where the" in said
    assert power.cold is not None
    assert f"Over {power.cold.hours:.1f} hours" in plain(said)


def test_without_a_verdict_there_is_no_section(case: Case, pictures: dict[str, Picture]) -> None:
    some = {name: one for name, one in pictures.items() if name != "power"}
    page = page_text(case.specification, case.choice, case.lights, some)
    assert "What feeds it" not in page
    assert "The colour" not in page
    assert power_section(None) is None
    assert colour_section(None) is None


def test_a_colour_has_its_own_row_its_clips_and_its_ramp(
    case: Case, pictures: dict[str, Picture], power: PowerVerdict, in_red: ColourVerdict, reader: type[Any]
) -> None:
    page = page_text(case.specification, case.choice, case.lights, pictures, power=power, colour=in_red)
    told = reader()
    told.feed(page)
    rows = [[plain(cell) for cell in row] for row in told.rows]
    for one in in_red.rows:
        assert any(row[:2] == [f"{one.name} {plain(one.meaning)}", plain(one.value)] for row in rows)
    for clip in in_red.clips:
        assert [clip.clip, f"{clip.red}", f"{clip.general}"] in rows
    for hue in in_red.preview:
        assert f"background: {hue}" in page
    for sentence in in_red.sentences:
        assert plain(sentence.text) in plain(told.text)
    assert "dark to full" in page


def test_the_tables_of_a_colour_are_among_the_results(case: Case, tmp_path: Any) -> None:
    bare = result_files(case.specification, case.choice, tmp_path, "", with_table=True)
    assert not [name for name in bare if "rgb" in name]
    chain = dataclasses.replace(case.choice.chain, colour=CostumeColour("#ff8000"))
    choice = dataclasses.replace(case.choice, chain=chain)
    files = result_files(case.specification, choice, tmp_path, "", with_table=True)
    assert {"brightness_table_rgb.h", "brightness_table_rgb.csv"} <= set(files) <= set(RESULTS)
    assert not [
        name
        for name in result_files(case.specification, choice, tmp_path, "", with_table=False)
        if "table" in name
    ]
