"""One small sweep and its report, read by all tests of this folder."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from html.parser import HTMLParser

import pandas as pd
import pytest
from reference.small_specification import Case, small_case

from envlab.metrics.catalogue import FLASH_METRIC
from envlab.report.page import page_text
from envlab.report.pictures import Picture, pictures_of
from envlab.study.power.power_verdict import PowerVerdict, judge_power
from envlab.study.specification.targets import Target
from envlab.study.tolerance.result import ToleranceResult
from envlab.study.tolerance.tables import distribution_table, meets, target_table
from envlab.study.tolerance.words import sentences_of


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
    return small_case(tmp_path_factory.mktemp("small-specification"))


@pytest.fixture(scope="session")
def tolerance(case: Case) -> ToleranceResult:
    """A result with the sweep's own eight candidates as boards: it need not be true to be shown."""
    targets = [
        Target(FLASH_METRIC, "at_most", case.specification.targets.flash_limit, 1.0),
        *case.specification.targets.known_in(case.choice.table),
    ]
    boards = case.choice.table.reset_index(drop=True)
    met = meets(boards, targets)
    cause = {
        "name": "C3",
        "label": "C3 hold",
        "range": "±20 %",
        "yield_if_exact": 0.9,
        "gain": 0.2,
        "tighter": "±10 %",
        "yield_if_tighter": 0.8,
    }
    worst_cases = ["metric", "limit", "nominal", "value", "meets", "at"]
    result = ToleranceResult(
        assumed=case.specification.tolerance,
        parameters=(),
        boards=boards.assign(meets_all=met.all(axis=1)),
        nominal=case.choice.row,
        yield_share=float(met.all(axis=1).mean()),
        targets=target_table(targets, case.choice.row, met),
        distribution=distribution_table(targets, case.choice.row, boards),
        causes=pd.DataFrame([cause]),
        worst_cases=pd.DataFrame([], columns=worst_cases),
    )
    return replace(result, sentences=sentences_of(result, case.specification))


@pytest.fixture(scope="session")
def power(case: Case) -> PowerVerdict:
    return judge_power(case.specification, case.choice.chain, case.lights)


@pytest.fixture(scope="session")
def full_pictures(case: Case, tolerance: ToleranceResult, power: PowerVerdict) -> dict[str, Picture]:
    """With those of many boards."""
    return pictures_of(case.specification, case.choice, case.lights, tolerance, power)


@pytest.fixture(scope="session")
def full_page(
    case: Case, full_pictures: dict[str, Picture], tolerance: ToleranceResult, power: PowerVerdict
) -> str:
    return page_text(case.specification, case.choice, case.lights, full_pictures, tolerance, power=power)


@pytest.fixture(scope="session")
def pictures(full_pictures: dict[str, Picture]) -> dict[str, Picture]:
    return {name: one for name, one in full_pictures.items() if name != "tolerance"}


@pytest.fixture(scope="session")
def page(case: Case, pictures: dict[str, Picture], power: PowerVerdict) -> str:
    return page_text(case.specification, case.choice, case.lights, pictures, power=power)


@pytest.fixture(scope="session")
def seen(page: str) -> Seen:
    return taken_apart(page)


@pytest.fixture(scope="session")
def reader() -> type[Seen]:
    return Seen
