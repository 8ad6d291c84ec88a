"""One small sweep and its report, read by all tests of this folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

import pytest
from reference.small_brief import Case, small_case

from envlab.report.page import page_text
from envlab.report.pictures import Picture, pictures_of


@dataclass
class Seen(HTMLParser):
    """A page taken apart: elements with their attributes in order, and what it says as plain text."""

    tags: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    text: str = ""
    unclosed: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in ("meta", "br", "link", "img"):
            self.unclosed.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag == "td":
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.unclosed.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.unclosed:
            self.text += data
        if "td" in self.unclosed:
            self.rows[-1][-1] += data


def taken_apart(page: str) -> Seen:
    seen = Seen()
    seen.feed(page)
    seen.close()
    seen.text = " ".join(seen.text.split())
    return seen


@pytest.fixture(scope="session")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return small_case(tmp_path_factory.mktemp("small-brief"))


@pytest.fixture(scope="session")
def pictures(case: Case) -> dict[str, Picture]:
    return pictures_of(case.brief, case.choice, case.lights)


@pytest.fixture(scope="session")
def page(case: Case, pictures: dict[str, Picture]) -> str:
    return page_text(case.brief, case.choice, case.lights, pictures)


@pytest.fixture(scope="session")
def seen(page: str) -> Seen:
    return taken_apart(page)


@pytest.fixture(scope="session")
def reader() -> type[Seen]:
    return Seen
