"""What is done in a second process is what would be done here; and it ends with whoever started it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import warnings
from concurrent.futures import CancelledError
from pathlib import Path

import pytest

from envlab.errors import EnvlabError, EnvlabWarning
from envlab.files.second_process import SecondProcess

# Tasks are found by name in a module, so that they stand in a file of their own.
TASKS = """
import os, time, warnings
from envlab.errors import EnvlabError, EnvlabWarning

def where(tell):
    return os.getpid()

def add(one, other, tell):
    tell("Adding", 0.5)
    print("this goes to standard error")
    return one + other

def warn(tell):
    warnings.warn("mind the gap", EnvlabWarning)
    return "warned"

def fail(tell):
    raise EnvlabError("no such thing")

def end(tell):
    if os.getpid() != FIRST:
        os._exit(9)
    return "done here"

def busy(tell):
    with open("busy", "w") as file:
        file.write(str(os.getpid()))
    while True:
        tell("Busy", 0.0)
        time.sleep(0.01)

FIRST = int(os.environ["FIRST_PROCESS"])
"""
STARTS_ONE = """
import os, signal, time
# Whoever is started in the background of a shell is deaf to it.
signal.signal(signal.SIGINT, signal.default_int_handler)
os.environ["FIRST_PROCESS"] = str(os.getpid())
import tasks
from envlab.files.second_process import SecondProcess
with SecondProcess() as second:
    second.begin(tasks.{task})
    second.begin(tasks.where).result()
"""


def ignore(what: str, share: float) -> None:
    del what, share


@pytest.fixture(params=[True, False], ids=["second process", "none at hand"])
def second(request, tmp_path, monkeypatch):
    (tmp_path / "tasks.py").write_text(TASKS)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), *filter(None, sys.path)]))
    monkeypatch.setenv("FIRST_PROCESS", str(os.getpid()))
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    sys.modules.pop("tasks", None)
    with SecondProcess(at_hand=request.param) as second:
        assert second.at_hand == request.param
        yield second


def test_it_is_another_process_if_one_is_to_be_had(second):
    import tasks

    there = second.await_(second.begin(tasks.where), ignore)
    assert (there != os.getpid()) == second.at_hand


def test_answers_come_in_order_and_progress_is_told(second):
    import tasks

    begun = [second.begin(tasks.add, one, 10) for one in range(3)]
    told = []
    assert second.await_(begun[2], lambda *told_of: told.append(told_of)) == 12
    assert [one.result().value for one in begun] == [10, 11, 12]
    assert set(told) <= {("Adding", 0.5)}


def test_what_it_warns_of_is_warned_of_here(second):
    import tasks

    with pytest.warns(EnvlabWarning, match="mind the gap"):
        assert second.await_(second.begin(tasks.warn), ignore) == "warned"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert second.await_(second.begin(tasks.add, 1, 2), ignore) == 3


def test_its_errors_are_raised_here_and_it_goes_on(second):
    import tasks

    with pytest.raises(EnvlabError, match="no such thing"):
        second.await_(second.begin(tasks.fail), ignore)
    assert second.await_(second.begin(tasks.add, 1, 2), ignore) == 3


def test_what_it_cannot_finish_is_done_here(second):
    import tasks

    assert second.await_(second.begin(tasks.end), ignore) == "done here"
    assert second.await_(second.begin(tasks.where), ignore) == os.getpid()


def test_what_is_being_done_ends_with_it(second, tmp_path, monkeypatch):
    import tasks

    monkeypatch.chdir(tmp_path)
    with SecondProcess(at_hand=second.at_hand) as other:
        begun = other.begin(tasks.busy)
        until = time.monotonic() + 60
        while not (tmp_path / "busy").exists() and time.monotonic() < until:
            time.sleep(0.02)
    # Else the end of the with statement would have waited for it for ever.
    with pytest.raises(CancelledError):
        begun.result(timeout=0)


def test_on_one_processor_there_is_none(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    with SecondProcess() as alone:
        assert not alone.at_hand


def is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # What nobody waits for any more keeps its number until its parent looks.
    status = Path(f"/proc/{pid}/stat")
    return not status.exists() or status.read_text().rpartition(")")[2].split()[0] != "Z"


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_it_ends_with_whoever_started_it(how, tmp_path):
    (tmp_path / "tasks.py").write_text(TASKS)
    paths = os.pathsep.join([str(tmp_path), *filter(None, sys.path)])
    script = STARTS_ONE.format(task="busy")
    with subprocess.Popen(
        [sys.executable, "-c", script],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": paths},
        stderr=subprocess.PIPE,
    ) as first:
        busy, until = tmp_path / "busy", time.monotonic() + 60
        while not (busy.exists() and busy.read_text()) and time.monotonic() < until:
            time.sleep(0.02)
        second = int(busy.read_text())
        assert is_running(second)
        first.send_signal(how)
        try:
            first.communicate(timeout=60)
        finally:
            # A test that fails must not wait for it.
            first.kill()
    while is_running(second) and time.monotonic() < until:
        time.sleep(0.02)
    assert not is_running(second)
