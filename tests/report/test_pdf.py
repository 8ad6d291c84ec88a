"""The report as PDF: where a browser is, beside the page; where none is, nothing, and no error."""

from __future__ import annotations

import os
import stat
import subprocess
import time
from pathlib import Path

import pytest

from envlab.report import pdf
from envlab.report.pdf import browser_at_hand, report_pdf

PAGE = "<!DOCTYPE html><html><head><title>t</title></head><body><h1>Parts</h1></body></html>"


@pytest.fixture
def page_file(tmp_path: Path) -> Path:
    path = tmp_path / "report.html"
    path.write_text(PAGE, encoding="utf-8")
    return path


def stand_in(folder: Path, script: str) -> Path:
    """A program named chromium that does what the script says."""
    program = folder / "bin" / "chromium"
    program.parent.mkdir()
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return program


@pytest.mark.skipif(
    browser_at_hand() is None and os.environ.get("CI") != "true",
    reason="no browser on this machine; what happens without one is tested below",
)
def test_a_real_browser_prints_it_the_same_each_time(page_file: Path) -> None:
    sheets = []
    for _ in range(2):
        assert report_pdf(page_file, page_file.with_name("report.pdf"))
        sheets.append(page_file.with_name("report.pdf").read_bytes())
    assert sheets[0].startswith(b"%PDF-")
    assert sheets[0] == sheets[1]
    assert {path.name for path in page_file.parent.iterdir()} == {"report.html", "report.pdf"}


def test_without_a_browser_there_is_no_file_and_no_error(
    page_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(page_file.parent))
    assert browser_at_hand() is None
    assert not report_pdf(page_file, page_file.with_name("report.pdf"))
    assert not page_file.with_name("report.pdf").exists()


@pytest.mark.parametrize(
    "script",
    ["exit 1", "exit 0", 'for w in "$@"; do case $w in --print-to-pdf=*) echo no > "${w#*=}";; esac; done'],
    ids=["fails", "prints nothing", "prints no PDF"],
)
def test_a_browser_that_fails_leaves_nothing(
    page_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str
) -> None:
    stand_in(tmp_path, script)
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}{os.pathsep}{os.environ['PATH']}")
    assert browser_at_hand() == str(tmp_path / "bin" / "chromium")
    assert not report_pdf(page_file, page_file.with_name("report.pdf"))
    assert {path.name for path in tmp_path.iterdir()} == {"report.html", "bin"}


def test_a_browser_that_hangs_is_ended_with_all_that_it_started(
    page_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand_in(tmp_path, f"sleep 300 & echo $! > {tmp_path / 'child'}; wait")
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}{os.pathsep}{os.environ['PATH']}")
    started = time.monotonic()
    assert not report_pdf(page_file, page_file.with_name("report.pdf"), longest_s=1.0)
    assert time.monotonic() - started < 30
    child = (tmp_path / "child").read_text().strip()
    for _ in range(100):  # a busy machine takes its time to bury it
        if _state(child) in ("", "Z"):
            return
        time.sleep(0.1)
    raise AssertionError(f"what the browser started is still there: {_state(child)}")


def _state(process: str) -> str:
    """One letter of a process's state, as ps has it; "" where there is no such process."""
    words = ["ps", "-o", "stat=", "-p", process]
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout.strip()[:1]


def test_the_browser_runs_alone_and_asks_nobody(
    page_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stand_in(tmp_path, f'printf "%s\\n" "$@" > {tmp_path / "words"}')
    monkeypatch.setenv("PATH", f"{tmp_path / 'bin'}{os.pathsep}{os.environ['PATH']}")
    report_pdf(page_file, page_file.with_name("report.pdf"))
    words = (tmp_path / "words").read_text().splitlines()
    assert "--headless" in words
    assert "--host-resolver-rules=MAP * ~NOTFOUND" in words
    (profile,) = (word.partition("=")[2] for word in words if word.startswith("--user-data-dir="))
    assert Path(profile).parent.parent == tmp_path
    assert words[-1] == page_file.as_uri()
    assert pdf.LONGEST_S <= 60
