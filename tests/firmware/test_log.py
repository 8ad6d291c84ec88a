"""The logger in C against a queue in Python, byte for byte, on real instruction sets; and what a reader
makes of it.

The check sum is that of Python's binascii.crc_hqx, which is the same polynomial; its check value for the
digits
1 to 9, 0x29B1, is the one of the catalogues (from memory).
"""

from __future__ import annotations

import binascii
from collections import deque
from pathlib import Path

import numpy as np
import pytest
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.runtime import runtime_driver
from firmware.twin_vectors import parade_design

from envlab.bench.captures.log_frames import LogHeader, capture_of_log, decode, header_frame, readings_frame
from envlab.firmware.export import firmware_files, mark_of

READINGS, BLOCKS, A_HEADER, PULLS = 16, 4, 32, 7
RECORD = np.dtype([("came", "u1"), ("bytes", "u1", (PULLS,)), ("left_out", "u1")])
STIMULUS = np.dtype([("pulls", "u1"), ("reading", "<u2")])
MANY, FEW = 20_000, 4_000


def log_driver(folder: Path) -> Driver:
    return runtime_driver(
        Path(__file__).parent / "log_driver.c",
        firmware_files(parade_design()),
        folder,
        input_bytes=STIMULUS.itemsize,
        record_bytes=RECORD.itemsize,
        parts=("envlab_log.c",),
    )


def rhythms(count: int) -> np.ndarray:
    """Readings with a transmitter that is now quick, now slow, now stands still, so that blocks "
    "are left out."""
    rng = np.random.default_rng(7)
    stimuli = np.zeros(count, STIMULUS)
    stimuli["reading"] = rng.integers(0, 1024, count) << 6
    pace = np.repeat(rng.choice([0, 2, 3, 7], count // 100 + 1, p=[0.15, 0.25, 0.3, 0.3]), 100)[:count]
    stimuli["pulls"] = np.minimum(pace + rng.integers(0, 2, count), 7)
    # A frame's own start among the readings must not confuse anybody.
    stimuli["reading"][::97] = 0x1AE5
    return stimuli


class Queue:
    """What the logger is to do, said with a queue of whole blocks."""

    def __init__(self) -> None:
        design = parade_design()
        self._header = LogHeader(design.adc_bits, READINGS, 0, design.follower.rate_hz, mark_of(design))
        self._blocks: deque[tuple[int, list[int]]] = deque()
        self._open: list[int] = []
        self._number, self._room, self.left_out = 0, True, 0
        self._going, self._frees, self._until = b"", False, 0

    def take(self, reading: int) -> None:
        if not self._open:
            self._room = len(self._blocks) < BLOCKS
            self.left_out += not self._room
        self._open.append(reading)
        if len(self._open) == READINGS:
            if self._room:
                self._blocks.append((self._number, self._open))
            self._open, self._number = [], self._number + 1

    def byte(self) -> bytes:
        if not self._going:
            if self._until == 0:
                header = self._header
                now = LogHeader(
                    header.bits, header.readings, self.left_out % 256, header.rate_hz, header.export_mark
                )
                self._going, self._frees = header_frame(now), False
            elif self._blocks:
                self._going, self._frees = readings_frame(*self._blocks[0]), True
            else:
                return b""
        first, self._going = self._going[:1], self._going[1:]
        if not self._going:
            if self._frees:
                self._blocks.popleft()
                self._until -= 1
            else:
                self._until = A_HEADER
        return first


def expected(stimuli: np.ndarray) -> np.ndarray:
    queue, records = Queue(), np.zeros(stimuli.size, RECORD)
    for place, (pulls, reading) in enumerate(stimuli.tolist()):
        queue.take(reading)
        came = b"".join(queue.byte() for _ in range(pulls))
        records[place]["came"] = len(came)
        records[place]["bytes"][: len(came)] = list(came)
        records[place]["left_out"] = queue.left_out % 256
    return records


def stream_of(records: np.ndarray) -> bytes:
    return b"".join(bytes(row["bytes"][: row["came"]]) for row in records)


def check_on(name: str, count: int, folder: Path) -> np.ndarray:
    machine = MACHINES[name]
    require(machine)
    stimuli = rhythms(count)
    records = np.frombuffer(run_machine(machine, log_driver(folder), stimuli.tobytes(), folder), RECORD)
    wanted = expected(stimuli)
    differ = np.flatnonzero(records != wanted)
    assert not differ.size, f"reading {differ[0]}: {records[differ[0]]}, the queue has {wanted[differ[0]]}"
    assert wanted["left_out"][-1] > 10, "this rhythm leaves nothing out"
    return records


@pytest.mark.parametrize("name", MACHINES)
def test_bytes_are_those_of_the_queue(name, tmp_path):
    check_on(name, FEW, tmp_path)


def test_a_reader_finds_every_reading_and_every_gap(tmp_path):
    records = check_on("host-gcc-O2", MANY, tmp_path)
    readings = rhythms(MANY)["reading"].astype(np.int64)
    log = decode(stream_of(records))
    assert log.damaged == 0
    assert log.header.rate_hz == 1000.0
    capture = capture_of_log(log)
    there = np.isfinite(capture.values)
    assert np.array_equal(capture.values[there], readings[: there.size][there] >> 6)
    left_out = int(records["left_out"][-1])
    missing = np.count_nonzero(~there) // READINGS
    assert 0 < missing <= left_out + BLOCKS
    assert f"{missing} of " in capture.notes[0]


def test_the_check_sum_is_the_published_one():
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1
