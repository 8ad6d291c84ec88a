"""Recording from a serial port, through pyserial, an optional extra of the package."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from envlab.errors import EnvlabError, check_range

_WAIT_S = 0.1


@dataclass(frozen=True)
class Recorded:
    """stream: all bytes that came. broke_off: why it ended early, "" if it did not."""

    stream: bytes
    broke_off: str = ""


def record_serial(
    port: str,
    seconds: float,
    baud: int = 115_200,
    progress: Callable[[float], None] | None = None,
) -> Recorded:
    """Return what a serial port gives for some time; what broke off is kept.

    Parameters
    ----------
    port : str
        Name of the port, or a URL of pyserial.
    seconds : float
        How long, 0.1 to 3600 s.
    baud : int
        Bits a second, 300 to 4,000,000.
    progress : function or None
        Told the share of the time gone by, 0 to 1.

    Raises
    ------
    EnvlabError
        One line, if pyserial is not installed or the port cannot be opened.
    """
    check_range("seconds", seconds, 0.1, 3600, unit="s")
    check_range("baud", baud, 300, 4_000_000)
    try:
        import serial
    except ImportError:
        raise EnvlabError("recording needs pyserial: pip install 'envlab[serial]'") from None
    try:
        opened = serial.serial_for_url(port, baudrate=baud, timeout=_WAIT_S)
    except (serial.SerialException, ValueError, OSError) as error:
        raise EnvlabError(
            f"{port}: cannot be opened; is the board plugged in, and the port its own? ({error})"
        ) from None
    with opened:
        return _record(opened, seconds, progress or _quietly, (serial.SerialException, OSError))


def _quietly(share: float) -> None:
    del share


def _record(
    opened: Any, seconds: float, progress: Callable[[float], None], broken: tuple[type[Exception], ...]
) -> Recorded:
    pieces: list[bytes] = []
    begin = time.monotonic()
    try:
        while (gone_s := time.monotonic() - begin) < seconds:
            progress(gone_s / seconds)
            # What waits already, or one byte: a read that breaks off would take the rest with it.
            pieces.append(opened.read(opened.in_waiting or 1))
    except KeyboardInterrupt:
        return Recorded(b"".join(pieces), "stopped by hand")
    except broken as error:
        return Recorded(b"".join(pieces), f"the port went away: {error}")
    return Recorded(b"".join(pieces))
