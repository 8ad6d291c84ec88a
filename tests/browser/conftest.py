"""A real JupyterLab on this machine, and Debian's Chromium to look at it.

One server for all tests of this folder; every test module has a browser and a page of its own. A page that
asks anything of another machine, or writes an error to its console, fails the test that had it open.
Screenshots go to the folder that ENVLAB_ARTEFACTS names, else to pytest's own.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from reference.audition_page import AuditionPage, write_notebook, write_strokes
from reference.lab import BROWSERS, FLAGS, LabPage, LabServer

from envlab.shipped import shipped_folder


def missing(tool: str) -> None:
    if os.environ.get("CI") == "true":
        pytest.fail(f"CI must have {tool}: the notebooks are opened and played in it")
    pytest.skip(f"no {tool} on this machine; the notebooks run without a page in tests/project")


@pytest.fixture(scope="session")
def chromium() -> str:
    program = next(filter(None, map(shutil.which, BROWSERS)), None)
    if program is None:
        missing("browser")
    assert program is not None
    return program


@pytest.fixture(scope="session")
def artefacts(tmp_path_factory: pytest.TempPathFactory) -> Path:
    named = os.environ.get("ENVLAB_ARTEFACTS")
    folder = Path(named) if named else tmp_path_factory.mktemp("artefacts")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def lab(tmp_path_factory: pytest.TempPathFactory, chromium: str) -> Iterator[LabServer]:
    del chromium  # without a browser no server is needed
    folder = tmp_path_factory.mktemp("lab")
    shutil.copytree(shipped_folder("notebooks"), folder / "notebooks")
    with LabServer(folder, folder / "notebooks", secrets.token_hex(16)) as server:
        yield server


# No longer than a module: two Playwrights, of two folders, cannot run in one process at the same time.
@pytest.fixture(scope="module")
def browser(chromium: str) -> Iterator[object]:
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing("playwright")
    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))
        yield running
        running.close()


@pytest.fixture(scope="module")
def opened(lab: LabServer, browser: object, artefacts: Path) -> Iterator[LabPage]:
    page = LabPage(lab, browser, artefacts)
    yield page
    page.close()


@pytest.fixture(scope="session")
def strokes(lab: LabServer) -> Path:
    """Twelve seconds of strokes, two a second, and beside it the notebook strokes.ipynb that auditions it."""
    clip = lab.notebooks / "strokes.flac"
    write_strokes(clip, 12.0)
    write_notebook(clip.with_suffix(".ipynb"), clip)
    return clip


@pytest.fixture(scope="module")
def heard(opened: LabPage, strokes: Path) -> AuditionPage:
    """The strokes' notebook, opened and run: the widget is ready."""
    audition = AuditionPage(opened)
    audition.start(f"{strokes.stem}.ipynb")
    return audition


@pytest.fixture
def page(opened: LabPage, request: pytest.FixtureRequest) -> Iterator[LabPage]:
    """The module's page; afterwards it must have kept to itself and complained of nothing."""
    failed_before = request.session.testsfailed
    yield opened
    if request.session.testsfailed > failed_before:
        opened.picture(f"failed_{request.node.name}")
    assert opened.strangers() == []
    assert opened.complaints() == []
