"""Long work in portions on the kernel's own loop, so that a message from the page never waits for it."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Generator

from envlab.errors import EnvlabError

# A job yields where it may be interrupted: None, or the seconds for which it wants to wait.
Job = Generator[float | None, None, None]
# As long as one portion may hold a message up.
PORTION_S = 0.006
# From one portion to the next: time for the loop to see what has come in.
PAUSE_S = 0.002


class Later:
    """One job at a time. A new one, or cancel, ends the one before it where it stands.

    failed: called with an EnvlabError that a job ends in. Where no loop runs (a plain script), a job is done
    at once and whole.

    lock: held during each portion. A notebook hands messages over in one thread or in another, as it likes,
    each with a loop of its own; who answers one holds the lock meanwhile.
    """

    def __init__(self, failed: Callable[[EnvlabError], None]) -> None:
        self._failed = failed
        self._job: Job | None = None
        self.lock = threading.RLock()

    @property
    def waiting(self) -> bool:
        """Whether a job is not done yet."""
        return self._job is not None

    def start(self, job: Job, delay_s: float) -> None:
        """Begin a job after a delay, in s; the page's next message, if one comes, goes first."""
        with self.lock:
            self.cancel()
            self._job = job
            try:
                loop = asyncio.get_running_loop()
            except RuntimeError:
                self.finish()
                return
            loop.call_later(delay_s, self._go_on, job)

    def cancel(self) -> None:
        """End the job where it stands."""
        with self.lock:
            if self._job is not None:
                self._job.close()
                self._job = None

    def finish(self) -> None:
        """Do all that is left of the job now."""
        with self.lock:
            while self._job is not None:
                self._step()

    def _go_on(self, job: Job) -> None:
        """Do a portion of this job; nothing if it was ended meanwhile, in whatever thread."""
        until = time.monotonic() + PORTION_S
        while True:
            with self.lock:
                if self._job is not job:
                    return
                wait_s = self._step() or 0.0
            if wait_s or time.monotonic() >= until:
                asyncio.get_running_loop().call_later(max(wait_s, PAUSE_S), self._go_on, job)
                return

    def _step(self) -> float | None:
        """Do one portion; return the seconds that the job wants to wait."""
        job = self._job
        if job is None:
            return None
        try:
            return next(job)
        except StopIteration:
            self._ended(job)
        except EnvlabError as problem:
            self._ended(job)
            self._failed(problem)
        except BaseException:
            self._ended(job)
            raise
        return None

    def _ended(self, job: Job) -> None:
        # A job may itself have begun another one.
        if self._job is job:
            self._job = None
