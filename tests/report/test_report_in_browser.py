"""The report in a real browser: asks nobody for anything, shows every picture, fits phone and A4."""

from __future__ import annotations

import io
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest
from reference.small_specification import Case

from envlab.plot.palette import PALETTE
from envlab.report.facts import metric_rows
from envlab.report.pdf import browser_at_hand, report_pdf

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SCREEN, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
MOST_SHEETS = 9


def missing(tool: str) -> None:
    if os.environ.get("CI") == "true":
        pytest.fail(f"CI must have {tool}: the report is opened and printed in it")
    pytest.skip(f"no {tool} on this machine; the page's links and pictures are checked in test_page.py")


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    program = browser_at_hand()
    if program is None:
        missing("browser")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright")
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=program, args=list(FLAGS))
        yield running
        running.close()


@pytest.fixture(scope="module")
def report_file(full_page: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(full_page, encoding="utf-8")
    return path


class Opened:
    """The report in a window, with everything that it asked for and complained of."""

    def __init__(self, chromium: Any, file: Path, size: dict[str, int], scheme: str = "light") -> None:
        self.context = chromium.new_context(viewport=size, color_scheme=scheme)
        self.page = self.context.new_page()
        self.asked: list[str] = []
        self.said: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.goto(file.as_uri())
        self.page.wait_for_load_state("networkidle")

    def __enter__(self) -> Opened:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    def picture_of(self, selector: str) -> np.ndarray:
        """What the window shows of an element, shape (rows, columns, 3), 0 to 1."""
        taken = self.page.locator(selector).screenshot()
        return np.asarray(matplotlib.image.imread(io.BytesIO(taken)))[..., :3]


@pytest.fixture(scope="module")
def on_screen(chromium: Any, report_file: Path) -> Iterator[Opened]:
    with Opened(chromium, report_file, SCREEN) as opened:
        yield opened


def test_it_asks_for_nothing_but_itself_and_has_no_complaint(on_screen: Opened, report_file: Path) -> None:
    elsewhere = [url for url in on_screen.asked if not url.startswith("data:")]
    assert elsewhere == [report_file.as_uri()]
    assert on_screen.said == []


def test_every_picture_is_seen(on_screen: Opened, full_pictures: dict[str, Any]) -> None:
    shown = on_screen.page.locator("figure").evaluate_all("all => all.map(one => one.id)")
    assert set(shown) == set(full_pictures)
    for name in shown:
        box = on_screen.page.locator(f"#{name} svg").first.bounding_box()
        assert box is not None
        assert box["width"] > 600, name
        assert box["height"] > 100, name
        seen = on_screen.picture_of(f"#{name} .picture")
        # Not one flat colour: some of it is dark on the light page.
        assert 0.003 < (seen.min(axis=2) < 0.6).mean() < 0.9, name


def test_images_inside_the_pictures_are_decoded(on_screen: Opened) -> None:
    """The strips are pixels in the drawing; a broken one would have no size of its own."""
    sizes = on_screen.page.evaluate(
        """async () => Promise.all([...document.querySelectorAll('svg image')].map(async one => {
            const image = new Image();
            image.src = one.href.baseVal;
            await image.decode();
            return [image.naturalWidth, image.naturalHeight];
        }))"""
    )
    assert len(sizes) >= 2
    assert all(width > 10 and height > 0 for width, height in sizes)


def test_every_metric_can_be_read(on_screen: Opened, case: Case) -> None:
    said = " ".join(on_screen.page.locator("body").inner_text().split())
    for row in metric_rows(case.specification, case.choice):
        assert f"{row.name} {row.meaning} {row.value}".replace("\u00a0", " ") in said.replace("\u00a0", " ")
    for sentence in case.choice.words:
        assert " ".join(sentence.split()) in said


@pytest.mark.parametrize("size", [SCREEN, PHONE], ids=["screen", "phone"])
def test_nothing_sticks_out_to_the_side(chromium: Any, report_file: Path, size: dict[str, int]) -> None:
    with Opened(chromium, report_file, size) as opened:
        wide = opened.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= size["width"]
        # What is wider than the window scrolls in a box of its own.
        out = opened.page.evaluate(
            """() => [...document.querySelectorAll('main *')].filter(one =>
                !one.closest('svg') && !one.closest('.picture, .wide') &&
                one.getBoundingClientRect().right > innerWidth + 0.5
            ).map(one => one.outerHTML.slice(0, 80))"""
        )
        assert out == []


def test_no_column_is_cut_on_a_phone(chromium: Any, report_file: Path) -> None:
    """What a table says stands within the window without a swipe, each value with its column's name."""
    with Opened(chromium, report_file, PHONE) as opened:
        cut = opened.page.evaluate(
            """() => [...document.querySelectorAll('table td, table th')].filter(one => {
                const box = one.getBoundingClientRect();
                return box.width && (box.right > innerWidth + 0.5 || one.scrollWidth > one.clientWidth + 1);
            }).map(one => one.innerText)"""
        )
        assert cut == []
        named = opened.page.evaluate(
            r"""() => [...document.querySelectorAll('table.cards')].map(table => {
                const heads = [...table.rows[0].cells].map(one => one.innerHTML.replace('<br>', ' ').trim());
                return [...table.rows].slice(1).map(row => [...row.cells].map((one, place) =>
                    place ? [one.dataset.label, heads[place]] : ['', '']));
            }).flat(2)"""
        )
        assert len(named) > 60
        assert [pair for pair in named if (pair[0] or "").lower() != pair[1].lower()] == []
        folder = os.environ.get("ENVLAB_ARTEFACTS")
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            opened.page.screenshot(path=Path(folder) / "report_phone.png", full_page=True)


def test_no_word_breaks_in_its_middle(chromium: Any, report_file: Path) -> None:
    """Each word of a table, on the narrowest window, stands in one line."""
    with Opened(chromium, report_file, PHONE) as opened:
        broken = opened.page.evaluate(
            r"""() => {
                const found = [];
                const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
                while (texts.nextNode()) {
                    const text = texts.currentNode;
                    if (text.parentElement.closest('svg, script, style, pre')) continue;
                    for (const word of text.data.matchAll(/[^\s-]+/g)) {
                        const range = document.createRange();
                        range.setStart(text, word.index);
                        range.setEnd(text, word.index + word[0].length);
                        const lines = new Set([...range.getClientRects()].map(box => Math.round(box.top)));
                        if (lines.size > 1) found.push(word[0]);
                    }
                }
                return found;
            }"""
        )
        assert broken == []


def test_a_picture_on_a_phone_is_large_enough_to_read(chromium: Any, report_file: Path) -> None:
    """Letters of 8 pt on 180 mm: at 660 px the sheet's 8 pt are 10 px."""
    with Opened(chromium, report_file, PHONE) as opened:
        box = opened.page.locator("#voltages svg").first.bounding_box()
        assert box is not None
        assert box["width"] / (180 / 25.4 * 72) * 8 >= 9.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_follows_a_light_or_a_dark_screen(chromium: Any, report_file: Path, scheme: str) -> None:
    paper, ink = (PALETTE[name][scheme == "dark"] for name in ("paper", "ink"))
    with Opened(chromium, report_file, SCREEN, scheme) as opened:
        colours = opened.page.evaluate(
            "(() => { const s = getComputedStyle(document.documentElement);"
            " return [s.backgroundColor, s.color]; })()"
        )
        assert colours == [_css(paper), _css(ink)]
        seen = opened.picture_of("#schematic .picture")
        common = np.median(seen.reshape(-1, 3), axis=0)
        assert common == pytest.approx(_rgb(paper), abs=0.02)
        # Its lines are drawn in the page's ink.
        assert (np.abs(seen - np.array(_rgb(ink))).max(axis=2) < 0.1).mean() > 0.005


def _rgb(colour: str) -> tuple[float, float, float]:
    red, green, blue = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    return red, green, blue


def _css(colour: str) -> str:
    return "rgb({}, {}, {})".format(*(round(255 * part) for part in _rgb(colour)))


def test_it_prints_on_few_sheets_of_a4(chromium: Any, report_file: Path) -> None:
    """As the command prints it; A4 is 210 mm × 297 mm (ISO 216): 595.3 × 841.9 points."""
    del chromium  # it is at hand
    printed = report_file.with_name("report.pdf")
    assert report_pdf(report_file, printed)
    sheets = printed.read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", sheets)
    assert 3 <= len(boxes) <= MOST_SHEETS
    for width, height in boxes:
        assert float(width) == pytest.approx(595.3, abs=1)
        assert float(height) == pytest.approx(841.9, abs=1)
    # Letters are kept as letters, so that the file can be searched.
    assert sheets.count(b"/ToUnicode") >= 1


def test_printed_it_has_light_paper_on_a_dark_screen_too(chromium: Any, report_file: Path) -> None:
    with Opened(chromium, report_file, SCREEN, "dark") as opened:
        opened.page.emulate_media(media="print", color_scheme="dark")
        colour = opened.page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        assert colour == _css(PALETTE["paper"][0])
