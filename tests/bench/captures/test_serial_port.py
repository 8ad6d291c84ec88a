"""Recording through pyserial: its loop, a pseudo-terminal, and a plug that is pulled."""

from __future__ import annotations

import os
import threading
import time

import pytest

from envlab.bench.captures.count_log import capture_of_stream
from envlab.bench.captures.serial_port import record_serial
from envlab.errors import EnvlabError, ParameterError

serial = pytest.importorskip("serial", reason="pyserial is an extra of the package")
pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")


def feed(fd: int, lines: int, stop: threading.Event) -> None:
    for n in range(lines):
        os.write(fd, f"{n % 1000}\n".encode())
        time.sleep(1e-3)
    stop.wait()
    os.close(fd)


def recorded(lines: int, seconds: float, *, pulled: bool):
    board, port = pty.openpty()
    name = os.ttyname(port)
    stop = threading.Event()
    if pulled:
        stop.set()
    writer = threading.Thread(target=feed, args=(board, lines, stop))
    # The terminal's own translation of line ends would be the port's settings; pyserial makes it raw.
    timer = threading.Timer(0.3, writer.start)
    timer.start()
    try:
        found = record_serial(name, seconds)
    finally:
        stop.set()
        timer.join()
        writer.join()
        os.close(port)
    return found


def test_numbers_of_a_pseudo_terminal():
    found = recorded(200, 2.0, pulled=False)
    assert found.broke_off == ""
    capture = capture_of_stream(found.stream, rate_hz=1000.0)
    assert capture.values.tolist() == list(range(200))


def test_a_pulled_plug_keeps_what_came():
    found = recorded(100, 30.0, pulled=True)
    assert found.broke_off.startswith("the port went away")
    capture = capture_of_stream(found.stream, rate_hz=1000.0, is_partial=True)
    assert capture.is_partial
    assert 90 <= capture.values.size <= 100


def test_the_loop_gives_nothing_and_that_is_said():
    found = record_serial("loop://", 0.3)
    assert found.stream == b""
    with pytest.raises(EnvlabError, match="nothing came"):
        capture_of_stream(found.stream, rate_hz=1000.0)


def test_a_port_that_is_not_there():
    with pytest.raises(EnvlabError, match="cannot be opened") as said:
        record_serial("/dev/no-such-port", 1.0)
    assert "\n" not in str(said.value)
    with pytest.raises(ParameterError, match="seconds is 0"):
        record_serial("loop://", 0)
