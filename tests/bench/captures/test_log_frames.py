"""Frames of the logger from a bad line, and plain numbers: what is lost, doubled or damaged is said."""

from __future__ import annotations

import numpy as np
import pytest

from envlab.bench.captures.count_log import capture_of_stream
from envlab.bench.captures.log_frames import LogHeader, capture_of_log, decode, header_frame, readings_frame
from envlab.errors import EnvlabError

HEADER = LogHeader(10, 16, 0, 1000.0, 0xCAFE1234)
BLOCKS = 80
COUNTS = np.random.default_rng(2).integers(0, 1024, (BLOCKS, 16))


def frames(first: int = 0) -> list[bytes]:
    return [readings_frame(first + n, (COUNTS[n] << 6).tolist()) for n in range(BLOCKS)]


def test_a_whole_log_across_the_wrap_of_its_numbers():
    capture = capture_of_log(decode(header_frame(HEADER) + b"".join(frames(65_500))))
    assert np.array_equal(capture.values, COUNTS.ravel())
    assert (capture.bits, capture.rate_hz, capture.export_mark) == (10, 1000.0, 0xCAFE1234)
    assert capture.notes == ()


def test_lost_doubled_and_damaged_frames():
    some = frames()
    damaged = bytearray(some[40])
    damaged[20] ^= 0x10
    stream = [
        header_frame(HEADER),
        *some[:10],
        *some[12:30],
        some[29],
        *some[30:40],
        bytes(damaged),
        *some[41:],
    ]
    capture = capture_of_log(decode(b"".join(stream)))
    gone = np.flatnonzero(np.isnan(capture.values)) // 16
    assert sorted(set(gone.tolist())) == [10, 11, 40]
    there = np.isfinite(capture.values)
    assert np.array_equal(capture.values[there], COUNTS.ravel()[there])
    assert capture.notes == (
        "3 of 80 blocks of 16 readings are missing",
        "1 blocks came twice and are counted once",
        "1 frames were damaged on the way",
    )


def test_rubbish_between_frames_and_a_cut_start():
    stream = frames()[0][7:] + b"\xe5\x1a\xe5" + header_frame(HEADER) + b"\x00\xe5" + b"".join(frames())
    assert np.array_equal(capture_of_stream(stream, rate_hz=1.0).values, COUNTS.ravel())


def test_plain_numbers_one_a_line():
    text = "".join(f"{n}\r\n" for n in COUNTS.ravel()[:100]).encode().replace(b"\r\n", b"\r\n", 1)
    capture = capture_of_stream(text + b"12", rate_hz=500.0)
    assert np.array_equal(capture.values, COUNTS.ravel()[:100])
    assert capture.time_s[1] == 1 / 500


@pytest.mark.parametrize(
    ("stream", "match"),
    [
        (b"", "nothing came"),
        (b"\x93\xfa\x00" * 300, "baud rate"),
        (b"".join(frames()), "no whole header"),
    ],
)
def test_what_is_no_log_is_said_in_one_line(stream, match):
    with pytest.raises(EnvlabError, match=match) as said:
        capture_of_stream(stream, rate_hz=1000.0)
    assert "\n" not in str(said.value)


def test_blocks_far_apart_ask_for_no_memory():
    head = header_frame(LogHeader(10, 16, 0, 1000.0, 0))
    stream = head + b"".join(readings_frame(30_000 * n, [0] * 16) for n in range(40))
    with pytest.raises(EnvlabError, match="1169961 of 1170001 blocks are missing"):
        capture_of_log(decode(stream))


@pytest.mark.parametrize(
    "header", [LogHeader(0, 16, 0, 1e3, 0), LogHeader(17, 16, 0, 1e3, 0), LogHeader(10, 16, 0, 0, 0)]
)
def test_a_header_that_no_converter_has_is_refused(header):
    with pytest.raises(EnvlabError, match="its header says"):
        decode(header_frame(header) + readings_frame(0, [0] * 16))
