"""Pictures as files: the same bytes for the same picture, and fit for a page that holds several."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image
from reference.small_specification import Case

from envlab.plot.export import inline_svg, inlined, png_bytes, save_png, svg_text
from envlab.plot.palette import INK, colour
from envlab.plot.sheets import current_sheet, effects_sheet, voltages_sheet
from envlab.plot.strips import brightness_strip
from envlab.plot.style import sheet


def plain() -> Figure:
    fig = Figure(figsize=(2, 1))
    ax = fig.subplots()
    ax.plot([0, 1], [0, 1], color=colour("detector"))
    ax.fill_between([0, 1], [0, 1], color="#123456")
    ax.set_title("words", color=INK)
    return fig


def test_equal_pictures_have_equal_bytes_and_no_date() -> None:
    assert svg_text(plain(), "one") == svg_text(plain(), "one")
    assert png_bytes(plain()) == png_bytes(plain())
    assert not re.search(r"20\d\d-\d\d-\d\d", svg_text(plain(), "one"))
    assert Image.open(io.BytesIO(png_bytes(plain()))).info.keys() <= {"dpi"}


def test_how_a_process_writes_numbers_does_not_show() -> None:
    expected = svg_text(plain(), "one")
    with np.printoptions(legacy="1.13"):
        assert svg_text(plain(), "one") == expected


def test_a_laid_out_picture_is_the_same_whatever_was_drawn_before(case: Case) -> None:
    def voltages() -> str:
        return inline_svg(voltages_sheet(case.scene, case.choice.chain), "voltages")

    first = voltages()
    svg_text(effects_sheet(case.choice, case.specification), "effects")
    assert voltages() == first


def test_axes_stand_on_a_grid_that_the_solvers_last_digits_do_not_reach(case: Case) -> None:
    fig = voltages_sheet(case.scene, case.choice.chain)
    svg_text(fig, "voltages")
    for ax in fig.axes:
        for edge in ax.get_position().bounds:
            assert edge == pytest.approx(round(edge, 6), abs=1e-12)


def test_a_settled_picture_is_drawn_once_and_keeps_its_paper(monkeypatch: pytest.MonkeyPatch) -> None:
    fig = sheet(40)
    fig.subplots().plot([0, 1], [0, 1])
    drawn, draw = [], Figure.draw
    monkeypatch.setattr(Figure, "draw", lambda one, renderer: (drawn.append(one), draw(one, renderer)))
    before = fig.get_facecolor(), fig.dpi
    text = svg_text(fig, "one")
    assert drawn == [fig]
    assert (fig.get_facecolor(), fig.dpi) == before
    # A line, and nothing under it: the page's own paper shows.
    assert "<path" in text
    paper = text[text.index('id="patch_1"') : text.index('id="axes_1"')]
    assert 'style="fill: none"' in paper


def test_an_inline_picture_keeps_its_ids_to_itself() -> None:
    ids = [set(re.findall(r'\bid="([^"]+)"', inline_svg(plain(), name))) for name in ("one", "two")]
    assert ids[0]
    assert ids[1]
    assert not ids[0] & ids[1]
    text = inline_svg(plain(), "one")
    for used in re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', text):
        assert (used[0] or used[1]) in ids[0]


def test_an_inline_picture_is_well_formed_and_points_nowhere() -> None:
    text = inline_svg(plain(), "one")
    root = ET.fromstring(text)
    assert root.tag == "svg"
    assert root.attrib.keys() == {"viewBox"}
    assert "http" not in text


def test_a_picture_that_is_a_file_already_is_put_in_as_it_is_drawn() -> None:
    assert inlined(svg_text(plain(), "one"), "one") == inline_svg(plain(), "one")


def test_colours_of_the_palette_follow_the_page_and_others_stay() -> None:
    text = inline_svg(plain(), "one")
    assert "var(--detector)" in text
    assert colour("detector") not in text
    assert "var(--ink)" in text
    assert "#123456" in text


def test_an_image_inside_stays_inside(case: Case) -> None:
    fig = Figure(figsize=(2, 1))
    brightness_strip(case.lights[0], fig.subplots())
    assert ' href="data:image/png;base64,' in inline_svg(fig, "strip")


def test_paths_lose_no_more_than_a_hundredth_of_a_point(case: Case) -> None:
    fig = current_sheet(case.lights[0], case.choice.chain)
    exact = re.findall(r' d="([^"]*)"', svg_text(fig, "one"))
    short = re.findall(r' d="([^"]*)"', inline_svg(fig, "one"))
    assert len(exact) == len(short)
    for one, other in zip(exact, short, strict=True):
        numbers = [np.array(re.findall(r"-?\d+\.?\d*", path), dtype=float) for path in (one, other)]
        assert np.allclose(numbers[0], numbers[1], rtol=0, atol=0.01)
    assert sum(map(len, short)) < 0.8 * sum(map(len, exact))


def test_a_png_has_the_size_of_the_sheet(tmp_path: Path) -> None:
    save_png(plain(), tmp_path / "plain.png", dpi=100)
    with Image.open(tmp_path / "plain.png") as image:
        assert image.size == (200, 100)
