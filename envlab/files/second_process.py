"""A second process that works beside this one: of the threads of one process Python lets one run at a time.

It is handed functions of the package by name, with their arguments, and answers with what they return, by way
of its standard input and output. However this process ends, the other finds its input closed, and ends; only
this one heeds Ctrl-C. What cannot be done there is done here.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from envlab.errors import EnvlabWarning

Progress = Callable[[str, float], None]
# Called with its arguments, and with what is told of its progress.
Task = Callable[..., Any]
_SERVE = "from envlab.files.second_process import serve; serve()"
# Shares are not told more often, s.
_TELL_EVERY_S = 0.1


@dataclass(frozen=True)
class Answer:
    """value: what a task returned. warned: what it warned of meanwhile."""

    value: Any
    warned: tuple[Warning, ...] = ()

    def taken(self) -> Any:
        """Return the value; warn of what it warned of."""
        for warning in self.warned:
            warnings.warn(warning, stacklevel=2)
        return self.value


class SecondProcess:
    """Does one task after the other; to be used in a with statement.

    at_hand: whether a second process is to be had; without one all is done here, in the same order, by a
    thread.
    """

    def __init__(self, *, at_hand: bool = True) -> None:
        self._thread = ThreadPoolExecutor(1)
        self._report: Progress = _unheard
        self._ended = False
        self._process: subprocess.Popen[bytes] | None = None
        if at_hand and sys.executable and (os.cpu_count() or 1) > 1:
            with contextlib.suppress(OSError):
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _SERVE],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    # It finds the package, and whatever else, where this process does.
                    env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
                )

    def __enter__(self) -> SecondProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self._ended = True
        if self._process is not None:
            self._process.kill()
        self._thread.shutdown(cancel_futures=True)
        if self._process is not None:
            for pipe in (self._process.stdin, self._process.stdout):
                # What was still to be sent finds nobody there.
                with contextlib.suppress(OSError):
                    assert pipe is not None
                    pipe.close()
            self._process.wait()

    @property
    def at_hand(self) -> bool:
        """Whether tasks run in another process."""
        return self._process is not None

    def begin(self, task: Task, *arguments: Any) -> Future[Answer]:
        """Begin a task when those before it are done: a function of a module; arguments can be pickled."""
        return self._thread.submit(self._done, task, arguments)

    def await_(self, begun: Future[Answer], report: Progress) -> Any:
        """Return what a task that was begun returns; report: told from now on what is done, and its share."""
        self._report = report
        try:
            return begun.result().taken()
        finally:
            self._report = _unheard

    def _done(self, task: Task, arguments: tuple[Any, ...]) -> Answer:
        if self._process is not None:
            # Whoever was killed, perhaps for want of memory, leaves the work to this process.
            with contextlib.suppress(EOFError, OSError, pickle.UnpicklingError):
                return self._answer_of(self._process, task, arguments)
            self._process.kill()
        if self._ended:
            raise CancelledError
        return Answer(task(*arguments, self._tell))

    def _answer_of(self, process: subprocess.Popen[bytes], task: Task, arguments: tuple[Any, ...]) -> Answer:
        assert process.stdin is not None
        assert process.stdout is not None
        pickle.dump((task, arguments), process.stdin, protocol=pickle.HIGHEST_PROTOCOL)
        process.stdin.flush()
        while True:
            answer = pickle.load(process.stdout)
            if isinstance(answer, Answer):
                return answer
            if isinstance(answer, BaseException):
                raise answer
            self._tell(*answer)

    def _tell(self, what: str, share: float) -> None:
        if self._ended:
            # Nobody waits any more for what this thread is doing.
            raise CancelledError
        self._report(what, share)


def serve() -> None:
    """Do what comes in through standard input until it is closed; the second process's whole life."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    tasks, answers = sys.stdin.buffer, sys.stdout.buffer
    # Whatever is printed here must not come between the answers.
    sys.stdout = sys.stderr
    told_s = 0.0

    def send(answer: object) -> None:
        try:
            pickle.dump(answer, answers, protocol=pickle.HIGHEST_PROTOCOL)
            answers.flush()
        except BrokenPipeError:
            os._exit(0)  # nobody is left to hear it

    def tell(what: str, share: float) -> None:
        nonlocal told_s
        if time.monotonic() - told_s > _TELL_EVERY_S:
            told_s = time.monotonic()
            send((what, share))

    while True:
        try:
            task, arguments = pickle.load(tasks)
        except EOFError:
            return
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always", EnvlabWarning)
            try:
                value = task(*arguments, tell)
            except Exception as problem:
                send(problem)
                continue
        send(Answer(value, tuple(one.message for one in warned if isinstance(one.message, Warning))))


def _unheard(what: str, share: float) -> None:
    del what, share
