"""Compiled loops, kept on disk where there is room for them.

numba keeps what it has compiled beside the source, or in the user's cache folder. Where neither can be
written (an installation that belongs to somebody else and a home that is read-only) it refuses to compile at
all, and a full disk stops it half-way. The loops are as right without being kept: they are then compiled at
each start.

numba takes a kept loop for fresh as long as the file that it stands in is the same. What it calls, and
numbers that it was compiled with, may stand in another: here it is fresh as long as no file of loops has
changed.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from numba import njit
from numba.core import event


def compiled_with(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """Return a decorator that compiles a function with numba's options, and keeps it if it can.

    Parameters
    ----------
    options
        As numba's njit takes them, without ``cache``.

    Returns
    -------
    callable
        What njit with these options would be.
    """

    def decorate(function: Callable[..., Any]) -> Any:
        try:
            made = njit(cache=True, **options)(function)
        except RuntimeError:  # no folder to keep it in
            return njit(**options)(function)
        kept = made._cache._cache_file
        kept._source_stamp = (kept._source_stamp, _all_loops())
        keep = made._cache.save_overload

        def keep_if_there_is_room(signature: Any, data: Any) -> None:
            with contextlib.suppress(OSError):
                keep(signature, data)

        made._cache.save_overload = keep_if_there_is_room
        return made

    return decorate


@functools.lru_cache(maxsize=1)
def _all_loops() -> tuple[tuple[int, int], ...]:
    """Return when each of the package's files of loops was changed, ns, and how long it is, bytes."""
    files = sorted(Path(__file__).parents[1].rglob("*kernels.py"))
    return tuple((file.stat().st_mtime_ns, file.stat().st_size) for file in files)


@contextlib.contextmanager
def compiling_told(tell: Callable[[str | None], None]) -> Iterator[None]:
    """Tell which loop is being compiled, by name, and None when that is done; not of loops found on disk.

    tell: called in whatever thread compiles.

    >>> @compiled_with()
    ... def twice(x):
    ...     return 2 * x
    >>> with compiling_told(print):
    ...     twice(2.0)
    twice
    None
    4.0
    """
    with event.install_listener("numba:compile", _Told(tell)):
        yield


class _Told(event.Listener):
    """Passes on the outermost loop alone: what it calls is compiled within it."""

    def __init__(self, tell: Callable[[str | None], None]) -> None:
        self._tell = tell
        self._depth = 0

    def on_start(self, event: event.Event) -> None:
        """See Listener."""
        self._depth += 1
        if self._depth == 1:
            self._tell(event.data["dispatcher"].py_func.__name__.strip("_"))

    def on_end(self, event: event.Event) -> None:
        """See Listener."""
        del event
        self._depth -= 1
        if self._depth == 0:
            self._tell(None)
