"""The report as PDF, printed by a browser where the machine has one."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path

# Browsers of the Chromium family, which print without a window, by the names they have on PATH.
BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
LONGEST_S = 60.0
_QUIETLY = (
    "--headless",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--no-default-browser-check",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-extensions",
    "--disable-sync",
    "--no-pdf-header-footer",
    # The page needs nothing from elsewhere; neither does the browser while it prints it.
    "--host-resolver-rules=MAP * ~NOTFOUND",
)


def browser_at_hand() -> str | None:
    """Return the path of a browser that can print, None if there is none on PATH."""
    return next(filter(None, map(shutil.which, BROWSERS)), None)


def report_pdf(html_path: Path, pdf_path: Path, *, longest_s: float = LONGEST_S) -> bool:
    """Print a report to PDF; return whether it is there. Nothing that goes wrong here is an error.

    The browser runs without a window, in a profile of its own that is thrown away, for longest_s at most. It
    prints beside pdf_path; the file appears there when it is whole.
    """
    browser = browser_at_hand()
    if browser is None:
        return False
    try:
        # Not in the system's own folder for such files: a browser in a sandbox may have another one there.
        with tempfile.TemporaryDirectory(
            prefix="printing-", dir=pdf_path.parent, ignore_cleanup_errors=True
        ) as place:
            printed = Path(place) / "report.pdf"
            _print(browser, html_path, printed, Path(place) / "profile", longest_s)
            sheets = printed.read_bytes()
            if not sheets.startswith(b"%PDF-"):
                return False
            printed.write_bytes(_undated(sheets))
            printed.replace(pdf_path)
    except (OSError, subprocess.SubprocessError):
        return False
    return True


def _print(browser: str, html_path: Path, printed: Path, profile: Path, longest_s: float) -> None:
    command = [browser, *_QUIETLY, f"--user-data-dir={profile.resolve()}"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        # As root the browser refuses to start inside its sandbox.
        command.append("--no-sandbox")
    command += [f"--print-to-pdf={printed.resolve()}", html_path.resolve().as_uri()]
    nothing = subprocess.DEVNULL
    with subprocess.Popen(
        command, stdin=nothing, stdout=nothing, stderr=nothing, start_new_session=True
    ) as running:
        try:
            if running.wait(longest_s) != 0:
                raise subprocess.CalledProcessError(running.returncode, browser)
        finally:
            _end(running)


def _end(running: subprocess.Popen[bytes]) -> None:
    """End the browser and what it started."""
    if hasattr(os, "killpg"):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(running.pid, signal.SIGKILL)
    else:
        running.kill()


def _undated(sheets: bytes) -> bytes:
    """The file without the hour it was printed at, as long as before: the same page gives the same file."""
    return re.sub(rb"(/(?:CreationDate|ModDate) \(D:)\d{14}", rb"\g<1>20000101000000", sheets)
