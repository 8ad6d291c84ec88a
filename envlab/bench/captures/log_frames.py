"""The frames that the runtime's logger sends: bytes in, readings out, and all that went wrong on the way.

The format stands in envlab_log.h. A frame is taken only if its check sum [ITUV41] is right; blocks that
are missing or
come twice show in their numbers.
"""

from __future__ import annotations

import binascii
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from envlab.bench.captures.capture import Capture
from envlab.errors import EnvlabError

START = b"\xe5\x1a"
HEADER, READINGS = 0x48, 0x52
FORMAT = 1
_HEADER = struct.Struct("<BBBBII")
_MOST_READINGS = 64
_WRAPS = 1 << 16
# Blocks that may be missing for each one that came, beyond one round of the numbers.
_MOST_LOST = 100


@dataclass(frozen=True)
class LogHeader:
    """bits: of the ADC. readings: in a block. left_out: blocks that the board left out, modulo 256. rate_hz:
    of the ADC, Hz. export_mark: of the export whose firmware it is."""

    bits: int
    readings: int
    left_out: int
    rate_hz: float
    export_mark: int


def header_frame(header: LogHeader) -> bytes:
    """Return a header as the logger sends it."""
    rate = round(1000 * header.rate_hz)
    content = _HEADER.pack(FORMAT, header.bits, header.readings, header.left_out, rate, header.export_mark)
    return _framed(HEADER, content)


def readings_frame(number: int, words: Sequence[int]) -> bytes:
    """Return a block of reading words as the logger sends it; number: of the block, modulo 65536."""
    return _framed(READINGS, struct.pack(f"<H{len(words)}H", number % _WRAPS, *words))


def _framed(kind: int, content: bytes) -> bytes:
    body = bytes([kind]) + content
    return START + body + struct.pack("<H", binascii.crc_hqx(body, 0xFFFF))


@dataclass(frozen=True, eq=False)
class DecodedLog:
    """header: the first one. numbers: of the blocks in the order of arrival. blocks: their words, shape
    (blocks, readings). damaged: frames whose check sum was wrong."""

    header: LogHeader
    numbers: tuple[int, ...]
    blocks: np.ndarray
    damaged: int


def has_frames(stream: bytes) -> bool:
    """Whether a stream begins with frames of the logger, text apart."""
    return START in stream[:4096] and next(_frames(stream[:8192]), None) is not None


def decode(stream: bytes, name: str = "log") -> DecodedLog:
    """Return what the frames of a stream say. Raises EnvlabError, one line, if they say nothing."""
    header: LogHeader | None = None
    waiting: list[bytes] = []
    damaged = 0
    for kind, content in _frames(stream):
        if kind is None:
            damaged += 1
        elif kind == HEADER and header is None:
            header = _header_of(content, name)
        elif kind == READINGS:
            waiting.append(content)
    if header is None:
        raise EnvlabError(
            f"{name}: no whole header of the logger in {len(stream)} bytes; is the baud rate right, and is "
            "envlab_log running on the board?"
        )
    size = 2 + 2 * header.readings
    whole = [content for content in waiting if len(content) == size]
    numbers = tuple(int.from_bytes(content[:2], "little") for content in whole)
    words = np.array([np.frombuffer(content[2:], "<u2") for content in whole], dtype=np.int64)
    return DecodedLog(header, numbers, words.reshape(len(whole), header.readings), damaged)


def _header_of(content: bytes, name: str) -> LogHeader:
    version, bits, readings, left_out, rate, mark = _HEADER.unpack(content)
    if version != FORMAT:
        raise EnvlabError(f"{name}: its log has format {version}; this envlab reads format {FORMAT}")
    if not (1 <= bits <= 16 and 1 <= readings <= _MOST_READINGS and rate):
        raise EnvlabError(
            f"{name}: its header says {bits} bit, {readings} readings a block, {rate / 1000:g} Hz; they must "
            f"be 1 to 16 bit, 1 to {_MOST_READINGS} readings, above 0 Hz"
        )
    return LogHeader(bits, readings, left_out, rate / 1000, mark)


def _frames(stream: bytes) -> Iterator[tuple[int | None, bytes]]:
    """Yield (kind, content) of whole frames; (None, nothing) for each one that is damaged."""
    at, readings = stream.find(START), 16
    while at >= 0:
        body = stream[at + 2 :][: 3 + 2 + 2 * _MOST_READINGS]
        kind = body[0] if body else None
        size = 1 + (_HEADER.size if kind == HEADER else 2 + 2 * readings)
        whole = kind in (HEADER, READINGS) and len(body) >= size + 2
        if whole and binascii.crc_hqx(body[:size], 0xFFFF) == int.from_bytes(body[size : size + 2], "little"):
            if kind == HEADER:
                readings = min(max(body[3], 1), _MOST_READINGS)
            yield kind, body[1:size]
            at = stream.find(START, at + 2 + size + 2)
        else:
            if whole:
                yield None, b""
            at = stream.find(START, at + 1)


def capture_of_log(log: DecodedLog, name: str = "log", *, is_partial: bool = False) -> Capture:
    """Return a log as a capture: missing blocks as gaps, doubled ones once; the notes say how many."""
    if not log.numbers:
        raise EnvlabError(f"{name}: a header came, but no readings behind it")
    places, values, doubled, last = [], [], 0, -1
    base = log.numbers[0]
    for number, words in zip(log.numbers, log.blocks, strict=True):
        # The nearest place to the one before it that has this number.
        ahead = (number - base - last + _WRAPS // 2) % _WRAPS - _WRAPS // 2
        place = last + ahead
        if ahead <= 0:
            doubled += 1
            continue
        places.append(place)
        values.append(words >> (16 - log.header.bits))
        last = place
    # A few blocks with numbers far apart would ask for hours of gaps, and for their memory.
    most = _WRAPS + _MOST_LOST * len(places)
    if last + 1 > most:
        raise EnvlabError(
            f"{name}: {last + 1 - len(places)} of {last + 1} blocks are missing; is the baud rate right?"
        )
    count = log.header.readings
    counts = np.full((last + 1) * count, np.nan)
    for place, block in zip(places, values, strict=True):
        counts[place * count : (place + 1) * count] = block
    lost = last + 1 - len(places)
    notes = []
    if lost:
        notes.append(f"{lost} of {last + 1} blocks of {count} readings are missing")
    if doubled:
        notes.append(f"{doubled} blocks came twice and are counted once")
    if log.damaged:
        notes.append(f"{log.damaged} frames were damaged on the way")
    return Capture(
        "adc_counts",
        np.arange(counts.size) / log.header.rate_hz,
        counts,
        name,
        bits=log.header.bits,
        rate_hz=log.header.rate_hz,
        export_mark=log.header.export_mark,
        is_partial=is_partial,
        notes=tuple(notes),
    )
