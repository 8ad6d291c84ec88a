"""The notebook server as `envlab notebooks` starts it: on this machine alone, behind its token."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

WAIT_S = 60
LISTENS = "0A"  # as Linux numbers the states of a socket in its table of them


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def listening(port: int) -> set[str]:
    """Addresses at which this machine listens on a port, as the system's own tables have them."""
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]:
            local, state = line.split()[1], line.split()[3]
            address, _, number = local.partition(":")
            if state == LISTENS and int(number, 16) == port:
                found.add(address)
    return found


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """What the running server says of itself in the user's own runtime folder."""
    folder, port = tmp_path_factory.mktemp("server"), free_port()
    places = {f"JUPYTER_{name}_DIR": str(folder / name) for name in ("RUNTIME", "CONFIG", "DATA")}
    words = ["--no-browser", f"--port={port}", "--ServerApp.port_retries=0"]
    if os.getuid() == 0:
        words.append("--allow-root")
    run = subprocess.Popen(
        [sys.executable, "-m", "envlab", "notebooks", "--folder", str(folder / "mine"), "--", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=os.environ | places | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        start_new_session=True,
    )
    try:
        until = time.monotonic() + WAIT_S
        said: dict[str, str] = {}
        while not said and time.monotonic() < until and run.poll() is None:
            time.sleep(0.2)
            for path in (folder / "RUNTIME").glob("jpserver-*.json"):
                if listening(port):
                    said = json.loads(path.read_text())
        assert said, f"no server within {WAIT_S} s, or it has ended: {run.poll()}"
        yield said
    finally:
        os.killpg(run.pid, signal.SIGKILL)
        run.wait()


def status(url: str, token: str = "") -> int:
    request = urllib.request.Request(url, headers={"Authorization": f"token {token}"} if token else {})
    try:
        with urllib.request.urlopen(request) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as refused:
        return refused.code


@pytest.mark.slow
def test_it_listens_on_this_machine_alone(server: dict[str, str]) -> None:
    # 127.0.0.1, the bytes of the address in the order in which this processor keeps a number.
    loop = f"{int.from_bytes(socket.inet_aton('127.0.0.1'), sys.byteorder):08X}"
    assert listening(int(server["port"])) == {loop}


@pytest.mark.slow
def test_it_answers_only_who_has_the_token(server: dict[str, str]) -> None:
    assert len(server["token"]) >= 40
    for path in ("api/contents", "api/kernels", "api/sessions"):
        assert status(server["url"] + path) == 403, path
        assert status(server["url"] + path, "0" * len(server["token"])) == 403, path
    assert status(server["url"] + "api/contents", server["token"]) == 200
