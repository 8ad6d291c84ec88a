"""Bytes of a serial port as a capture: frames of the logger, or plain numbers, one a line."""

from __future__ import annotations

import re

import numpy as np

from envlab.bench.captures.capture import Capture
from envlab.bench.captures.log_frames import capture_of_log, decode, has_frames
from envlab.errors import EnvlabError, check_positive

_COUNT = re.compile(rb"\s*(\d{1,5})\s*$")


def capture_of_stream(
    stream: bytes, *, rate_hz: float, name: str = "log", is_partial: bool = False
) -> Capture:
    """Return what a serial port gave as a capture.

    Parameters
    ----------
    stream : bytes
        All that came.
    rate_hz : float
        Readings a second, Hz, where the stream does not say so itself: plain numbers do not.
    name : str
        What it is called in errors.
    is_partial : bool
        Whether it broke off.

    Returns
    -------
    Capture

    Raises
    ------
    EnvlabError
        One line, for a stream without readings.

    Examples
    --------
    >>> from envlab.bench.captures.count_log import capture_of_stream
    >>> numbers = "".join(f"{n}\\n" for n in range(20)).encode()
    >>> capture_of_stream(numbers, rate_hz=1000.0).values[:3]
    array([0., 1., 2.])
    """
    check_positive("rate_hz", rate_hz, unit="Hz")
    if not stream:
        raise EnvlabError(f"{name}: nothing came; is the board running, and is it the right port?")
    if has_frames(stream):
        return capture_of_log(decode(stream, name), name, is_partial=is_partial)
    # The first line may have been cut by the start, the last one by the end.
    lines = stream.split(b"\n")[1:-1] if b"\n" in stream else []
    first = _COUNT.match(stream.split(b"\n")[0]) if lines else None
    found = [_COUNT.match(line) for line in lines]
    counts = np.array([np.nan if one is None else float(one[1]) for one in found])
    if first is not None and stream[:1].isdigit():
        counts = np.concatenate(([float(first[1])], counts))
    damaged = int(np.isnan(counts).sum())
    if counts.size - damaged < max(16, damaged):
        raise EnvlabError(
            f"{name}: {len(stream)} bytes came, but neither frames of the logger nor numbers one "
            f"a line; is the baud "
            "rate right?"
        )
    notes = (f"{damaged} lines are no numbers and count as missing",) if damaged else ()
    return Capture(
        "adc_counts", np.arange(counts.size) / rate_hz, counts, name, is_partial=is_partial, notes=notes
    )
