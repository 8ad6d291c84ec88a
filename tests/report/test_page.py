"""The report: whole, alone, the same each time, and telling what it must."""

from __future__ import annotations

import dataclasses
import hashlib
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from reference.small_specification import Case

from envlab import __version__
from envlab.design_file import digest
from envlab.report.facts import metric_rows
from envlab.report.page import page_text, report_html
from envlab.report.pictures import Picture, pictures_of
from envlab.study.exported.judgement import ExportedJudgement, judge_exported
from envlab.study.sweep.choice import choose
from envlab.study.tolerance.judged_parts import judged_parts
from envlab.study.tolerance.result import ToleranceResult

PICTURES = (
    "schematic",
    "strips",
    "voltages",
    "effects",
    "map",
    "table",
    "steps",
    "current",
    "pixels",
    "flashes",
    "power",
)
LARGEST_BYTES = 3_000_000


def test_every_element_is_closed_and_every_id_is_one_of_a_kind(seen: Any) -> None:
    assert seen.unclosed == []
    ids = [attributes["id"] for _, attributes in seen.tags if "id" in attributes]
    assert len(set(ids)) == len(ids)


def test_nothing_is_fetched_from_elsewhere(page: str, seen: Any) -> None:
    fetching = {"script", "link", "iframe", "object", "embed", "audio", "video"}
    assert fetching.isdisjoint(tag for tag, _ in seen.tags)
    assert "http" not in page
    assert "@import" not in page
    ids = {attributes["id"] for _, attributes in seen.tags if "id" in attributes}
    for _, attributes in seen.tags:
        for name in ("src", "href", "xlink:href", "data", "srcset", "action"):
            target = attributes.get(name, "")
            assert not target or target.startswith("data:image/png;base64,") or target[1:] in ids, target
    for target in re.findall(r"url\(([^)]*)\)", page):
        assert target.removeprefix("#") in ids


def test_every_picture_is_there_with_words_in_its_place(seen: Any) -> None:
    metrics = [attributes["id"] for tag, attributes in seen.tags if tag == "figure"]
    assert tuple(metrics) == PICTURES
    labels = [a["aria-label"] for tag, a in seen.tags if tag == "svg" and a.get("role") == "img"]
    assert len(labels) == len(PICTURES)
    assert all(len(label) > 60 for label in labels)
    assert len(set(labels)) == len(labels)
    assert sum(tag == "figcaption" for tag, _ in seen.tags) == len(PICTURES)
    # An image inside an svg is spoken for by the svg; there are no others.
    assert "img" not in [tag for tag, _ in seen.tags]


def test_words_for_a_picture_hold_its_numbers(case: Case, pictures: dict[str, Picture]) -> None:
    worst = int(case.choice.row["flashes_per_s"])
    assert f"at most {worst}, where 3 are allowed" in pictures["flashes"].svg
    assert f"mean {case.lights[0].current_a.mean():.2f} A" in pictures["current"].svg
    assert "4.84 ms and 103 ms" in pictures["map"].svg  # 22k × 220n, 470k × 220n


def test_the_choice_and_its_reasons_are_told(seen: Any, case: Case) -> None:
    rows = [tuple(cell.replace("\u00a0", " ") for cell in row) for row in seen.rows]
    for line in case.choice.words:
        assert " ".join(line.split()) in seen.text
    scatter_db = case.specification.tolerance.microphone_db
    bought = judged_parts(case.specification, case.choice.chain)
    # What the boards were judged with is what has to be asked for.
    assert any(part.specification.endswith(f", ±{scatter_db:g} dB or less") for part in bought)
    for part in bought:
        asked = part.specification
        if part.kind in ("resistor", "capacitor"):
            # Of what series a value is, is nothing that one orders.
            asked = f"{part.kind}, {asked}"
        # What the sweep chose is marked.
        name = f"{part.reference} chosen" if part.key in case.specification.ranges else part.reference
        row = (name, f"{part.quantity}", part.value_text, asked, part.tolerance_text, part.purpose)
        assert row in rows
    assert "The rectifier is ideal: it is the limit of good ones, and no parts make it." in seen.text
    for row in metric_rows(case.specification, case.choice):
        cells = [row.name + " " + row.meaning, row.value]
        assert [" ".join(cell.split()) for cell in cells] in [
            [" ".join(cell.split()) for cell in found[:2]] for found in seen.rows
        ]


@pytest.mark.parametrize(
    "words",
    [
        "seizures in photosensitive people",
        "no medical clearance",
        "fuse at the pack",
        "Do not charge below 0 °C",
        "Keep it dry",
        "insulate every joint",
        "short near the body",
        "Keep them off skin, and off cloth",
        "Do not look into them",
        "harms hearing",
        "Local codes",
        "licensed practice",
    ],
)
def test_cautions_are_given(seen: Any, words: str) -> None:
    assert words in seen.text


def test_many_boards_are_told_of_where_they_were_simulated(
    full_page: str, tolerance: ToleranceResult, reader: type[Any], seen: Any
) -> None:
    told = reader()
    told.feed(full_page)
    text = " ".join(told.text.split())
    assert "tolerance" in [attributes["id"] for tag, attributes in told.tags if tag == "figure"]
    assert len(tolerance.words) > 4
    for line in tolerance.words:
        assert line in text
    # The yield is among what everybody should read.
    assert text.index(tolerance.words[0]) < text.index("Cautions") < text.index("Details")
    assert "Many boards" not in seen.text
    share = f"Boards that meet all {100 * tolerance.yield_share:.0f} %"
    assert share in text.replace("meet all", "meet all ").replace("  ", " ")
    assert "Boards that meet all" not in seen.text


def test_it_says_how_to_make_it_again(seen: Any, case: Case) -> None:
    assert "envlab design winter_night.toml" in seen.text
    assert f"envlab {__version__}, design {digest(case.choice.chain)}" in seen.text
    assert "seed 7 for all noise, 8 candidates" in seen.text


def test_it_names_no_folder_of_the_machine_it_was_made_on(page: str, case: Case) -> None:
    assert str(case.specification.clips[0].path.parent) not in page
    assert str(Path.home()) not in page


def test_what_all_should_read_takes_little_more_than_two_minutes(page: str) -> None:
    """Sentences before the details, without tables, at 238 words a minute.

    That is how fast adults read non-fiction in silence: M. Brysbaert, Journal of Memory and Language 109
    (2019), from memory.
    """
    told = page[page.index("<main>") : page.index(">Details<")]
    prose = re.findall(r"<(p|li|figcaption)\b[^>]*>(.*?)</\1>", told, flags=re.DOTALL)
    words = [word for _, text in prose for word in re.sub(r"<[^>]*>", " ", text).split()]
    assert 200 < len(words) <= 2.4 * 238


def test_it_is_small_enough_to_mail(page: str) -> None:
    assert len(page.encode()) < LARGEST_BYTES


def test_a_choice_that_meets_all_carries_no_warning(seen: Any) -> None:
    assert "Warning" not in seen.text


def test_the_same_choice_gives_the_same_bytes_in_any_process(page: str, case: Case) -> None:
    """Another process, another hash seed and place on earth: the same sweep, the same page."""
    code = (
        "import hashlib, sys; from pathlib import Path\n"
        "from envlab.study.specification.specification import read_specification\n"
        "from envlab.study.sweep.choice import choose\n"
        "from envlab.study.sweep.sweep import sweep; from envlab.report.page import report_html\n"
        "b = read_specification(Path(sys.argv[1]))\n"
        "t = sweep(b)\n"
        "print(hashlib.sha256(report_html(b, choose(t, b)).encode()).hexdigest())\n"
    )
    design = case.specification.clips[0].path.parent / case.specification.name
    done = subprocess.run(
        [sys.executable, "-c", code, str(design)],
        env={**os.environ, "PYTHONHASHSEED": "12345", "TZ": "Pacific/Auckland"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == hashlib.sha256(page.encode()).hexdigest()


def _with_table(case: Case, pictures: dict[str, Picture], **columns: float) -> str:
    """The report on the same sweep with some metrics changed for every candidate."""
    table = case.choice.table.drop(columns=["violation", "blocking_target", "flash_safe", "rank"])
    choice = choose(table.assign(**columns), case.specification)
    return page_text(case.specification, choice, case.lights, pictures)


def test_a_choice_that_flashes_too_much_is_warned_of(
    case: Case, pictures: dict[str, Picture], reader: type[Any]
) -> None:
    seen = reader()
    seen.feed(_with_table(case, pictures, flashes_per_s=5.0))
    text = " ".join(seen.text.split())
    assert "Warning: the flash limit is not kept. Do not wear this." in text
    assert "No table was written" in text
    assert ("div", {"class": "warning", "role": "alert"}) in seen.tags


def test_a_choice_that_misses_a_target_is_warned_of(
    case: Case, pictures: dict[str, Picture], reader: type[Any]
) -> None:
    seen = reader()
    seen.feed(_with_table(case, pictures, ripple_db=4.0))
    text = " ".join(seen.text.split())
    assert "Warning: not every target is met." in text
    assert text.count("No candidate meets every target.") == 1
    assert "missed by 2.5 dB" in text.replace("\u00a0", " ")
    assert "Do not wear" not in text


def test_names_that_look_like_markup_stay_words(case: Case, pictures: dict[str, Picture]) -> None:
    specification = dataclasses.replace(case.specification, name="<b>night</b> & day.toml")
    text = page_text(specification, case.choice, case.lights, pictures)
    assert "<b>night</b>" not in text
    assert "&lt;b&gt;night&lt;/b&gt; &amp; day" in text


def test_a_design_without_a_sweep_has_no_sweep_pictures(case: Case) -> None:
    row = case.choice.table.iloc[[case.choice.number]].reset_index(drop=True)
    alone = dataclasses.replace(case.choice, table=row, number=0)
    still = dataclasses.replace(case.specification, ranges={})
    made = pictures_of(still, alone, case.lights)
    assert made.keys() == set(PICTURES) - {"effects", "map", "power"}
    assert "What each part buys" not in page_text(still, alone, case.lights, made)


def test_what_is_worn_stands_in_the_page_with_every_setting_and_clip(case, pictures):
    judgement = judge_exported(case.specification, case.choice.chain)
    page = page_text(case.specification, case.choice, case.lights, pictures, exported=judgement)
    page = page.replace("\u00a0", " ")  # a number and its unit stay in one line
    assert "What the firmware shows" in page
    for result in judgement.results:
        assert f"{result.setting.name}" in page
        assert f"<td>{result.setting.name}</td>" in page
    assert "<b>fixed</b>, this design" in page
    for clip in case.specification.clips:
        assert f'<td data-label="Clip">{clip.label}</td>' in page
    for row in judgement.rows:
        assert f"{row.flashes_per_s} / {row.flashes_guarded}" in page
    assert "What the firmware shows" not in page_text(case.specification, case.choice, case.lights, pictures)


def test_where_nothing_was_judged_the_page_says_so_and_claims_nothing(case, pictures):
    nothing = ExportedJudgement((), (), 3.0, "", {"silence 60 dB": "it is silent"})
    page = page_text(case.specification, case.choice, case.lights, pictures, exported=nothing)
    section = page[page.index("What the firmware shows") :].partition("</div>")[0]
    assert "not judged: silence 60&nbsp;dB: it is silent" in section.replace("\u00a0", "&nbsp;")
    assert "<table" not in section and "allowed" not in section


def test_what_is_done_is_told_while_the_report_is_drawn(case):
    shares = []
    report_html(case.specification, case.choice, progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1)
    # Clips of 5 s in all, played in blocks of 65,536 samples at 96 kHz; then picture by picture.
    assert len(shares) > 5 * 96_000 / 65_536 + 8
    assert np.diff(shares).max() < 0.3
