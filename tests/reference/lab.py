"""JupyterLab as a user has it, started for tests: a server of its own, and one page in a browser."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.parse import urlsplit

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)
HERE = ("127.0.0.1", "localhost")
START_S, RUN_S = 60, 150
# No news pop-up, no questions to other machines, and every cell of a notebook in the page at once.
SETTINGS = {
    "apputils-extension/notification": {
        "fetchNews": "false",
        "checkForUpdates": False,
        "doNotDisturbMode": True,
    },
    "notebook-extension/tracker": {"windowingMode": "none"},
    "docmanager-extension/plugin": {"autosave": False},
}
CONFIG = {
    "LabApp": {
        "news_url": None,
        "check_for_updates_class": "jupyterlab.NeverCheckForUpdate",
        "extension_manager": "readonly",
    },
    "ServerApp": {"ip": "127.0.0.1", "open_browser": False, "allow_root": True},
}


def free_port() -> int:
    """Return a port of this machine that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class LabServer:
    """JupyterLab on a folder of notebooks; configuration, data and settings are its own, under `folder`."""

    def __init__(self, folder: Path, notebooks: Path, token: str) -> None:
        self.folder, self.notebooks, self.token = folder, notebooks, token
        self.url = f"http://127.0.0.1:{free_port()}"

    def __enter__(self) -> LabServer:
        places = {
            name: self.folder / name.lower()
            for name in (
                "JUPYTER_CONFIG_DIR",
                "JUPYTER_DATA_DIR",
                "JUPYTER_RUNTIME_DIR",
                "JUPYTERLAB_SETTINGS_DIR",
                "JUPYTERLAB_WORKSPACES_DIR",
                "IPYTHONDIR",
            )
        }
        for place in places.values():
            place.mkdir()
        for name, values in SETTINGS.items():
            file = places["JUPYTERLAB_SETTINGS_DIR"] / "@jupyterlab" / f"{name}.jupyterlab-settings"
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(json.dumps(values), encoding="utf-8")
        config = CONFIG | {"IdentityProvider": {"token": self.token}}
        file = places["JUPYTER_CONFIG_DIR"] / "jupyter_server_config.json"
        file.write_text(json.dumps(config), encoding="utf-8")
        self._log = (self.folder / "server.log").open("w")
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-m", "jupyterlab"),
                f"--ServerApp.port={urlsplit(self.url).port}",
                f"--ServerApp.root_dir={self.notebooks}",
            ],
            env={**os.environ, **{name: str(place) for name, place in places.items()}},
            stdout=self._log,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        try:
            self._wait()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def _wait(self) -> None:
        give_up = time.monotonic() + START_S
        while time.monotonic() < give_up:
            try:
                self.api("status")
                return
            except (urllib.error.URLError, ConnectionError):
                assert self._process.poll() is None, self.log()
                time.sleep(0.1)
        raise AssertionError(f"JupyterLab did not start in {START_S} s\n{self.log()}")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        for session in self.sessions() if self._process.poll() is None else ():
            self.api(f"sessions/{session['id']}", "DELETE")
        os.killpg(self._process.pid, signal.SIGTERM)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
        self._log.close()

    def log(self) -> str:
        """Return what the server has written."""
        return (self.folder / "server.log").read_text(encoding="utf-8")

    def api(self, path: str, method: str = "GET") -> Any:
        """Return the answer of one of the server's own addresses."""
        request = urllib.request.Request(
            f"{self.url}/api/{path}", method=method, headers={"Authorization": f"token {self.token}"}
        )
        with urllib.request.urlopen(request, timeout=20) as answer:
            text = answer.read()
        return json.loads(text) if text else None

    def sessions(self) -> list[dict[str, Any]]:
        """Return the running notebooks with their kernels."""
        try:
            return list(self.api("sessions"))
        except (urllib.error.URLError, ConnectionError):
            return []


class LabPage:
    """One page of a browser (Playwright's) on the server; it remembers whom it asked, and its complaints."""

    def __init__(self, server: LabServer, browser: Any, artefacts: Path) -> None:
        self.server, self.artefacts = server, artefacts
        self._context = browser.new_context(viewport={"width": 1280, "height": 1000}, accept_downloads=True)
        self.asked: list[str] = []
        self.said: list[str] = []
        self._context.on("request", lambda request: self.asked.append(request.url))
        self.page = self._context.new_page()
        self.page.on("websocket", lambda socket: self.asked.append(socket.url))
        self.page.on("console", self._listen)
        self.page.on("pageerror", lambda error: self.said.append(f"page error: {error}"))

    def _listen(self, message: Any) -> None:
        if message.type == "error":
            self.said.append(f"{message.text} ({message.location.get('url', '')})")

    def strangers(self) -> list[str]:
        """Return the addresses asked that are not on this machine."""
        parts = [urlsplit(url) for url in self.asked]
        return [p.geturl() for p in parts if p.scheme not in ("data", "blob") and p.hostname not in HERE]

    def complaints(self) -> list[str]:
        """Return the console's errors, and forget them."""
        said, self.said = self.said, []
        return said

    def close(self) -> None:
        """Close the page, and the notebook's kernel with it."""
        self._context.close()
        for session in self.server.sessions():
            self.server.api(f"sessions/{session['id']}", "DELETE")

    def open(self, name: str) -> None:
        """Open a notebook and wait until its kernel is idle."""
        # The token as a visitor types it: in the address of the first page.
        self.page.goto(f"{self.server.url}/lab/tree/{name}?reset&token={self.server.token}")
        self.page.wait_for_selector(".jp-Notebook .jp-Cell", timeout=1000 * START_S)
        # Before the kernel has answered, the page calls it idle all the same, and forgets what it is told.
        give_up = time.monotonic() + START_S
        while not any(one["kernel"]["connections"] for one in self.server.sessions()):
            assert time.monotonic() < give_up, f"no kernel in {START_S} s\n{self.server.log()}"
            self.page.wait_for_timeout(50)
        self.page.get_by_title("Change kernel for").filter(has_text="| Idle").wait_for()
        self.idle(START_S)

    def idle(self, longest_s: float) -> None:
        """Wait until the kernel has nothing to do."""
        self.page.wait_for_selector(
            '.jp-NotebookPanel .jp-Notebook-ExecutionIndicator[data-status="idle"]',
            timeout=1000 * longest_s,
            state="attached",
        )

    def menu(self, bar: str, *entries: str) -> None:
        """Choose from the menu bar: the menu's word, then its entry's, and that of the menu within it."""
        self.page.locator(".lm-MenuBar-itemLabel", has_text=re.compile(f"^{bar}$")).click()
        for entry in entries:
            label = self.page.locator(".lm-Menu-itemLabel", has_text=re.compile(f"^{re.escape(entry)}$"))
            label.last.click()

    def run_all(self, longest_s: float = RUN_S) -> float:
        """Run every cell; return the seconds until the last one has its number."""
        started = time.monotonic()
        self.menu("Run", "Run All Cells")
        self.page.wait_for_function(
            """() => {
                const prompts = [...document.querySelectorAll('.jp-CodeCell .jp-InputArea-prompt')];
                const failed = document.querySelector('[data-mime-type="application/vnd.jupyter.error"]');
                const done = prompts.every(one => /^\\[\\d+\\]:$/.test(one.textContent.trim()));
                return failed || (prompts.length && done);
            }""",
            timeout=1000 * longest_s,
        )
        self.idle(longest_s)
        return time.monotonic() - started

    def troubles(self) -> list[str]:
        """Return the text of outputs that are errors or warnings."""
        kinds = ("application/vnd.jupyter.error", "application/vnd.jupyter.stderr")
        found = self.page.locator(", ".join(f'[data-mime-type="{kind}"]' for kind in kinds))
        return list(found.all_inner_texts())

    def picture(self, name: str, of: str = "") -> Path:
        """Save what the page shows; or, of an element, all of it, on a page that is as high as it needs."""
        path = self.artefacts / f"{name}.png"
        if not of:
            self.page.screenshot(path=path)
            return path
        usual = self.page.viewport_size
        self.page.set_viewport_size({"width": usual["width"], "height": 2200})
        self.page.locator(of).evaluate("element => element.scrollIntoView()")
        self.page.wait_for_timeout(600)
        self.page.screenshot(path=path, clip=self.page.locator(of).bounding_box())
        self.page.set_viewport_size(usual)
        return path
