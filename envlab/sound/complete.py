"""Is a sound file whole? Decoders read a cut-off file up to the cut and say nothing; these checks do."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

from envlab.sound.mpeg import mp3_length

CONTAINERS = "WAV, FLAC, OGG or MP3"
_OGG_LAST_PAGE = 0x04
_OGG_LARGEST_PAGE = 65_307
# Programs that write to a pipe leave the length open with one of these values.
_WAV_OPEN_LENGTHS = (0, 0x7FFFF000, 0x7FFFFFFF, 0xFFFFFFFF)


def container_of(path: Path) -> str:
    """Return "WAV", "FLAC", "OGG", "MP3" or "" by the file's first bytes, whatever its name ends with."""
    with path.open("rb") as file:
        head = file.read(12)
    if head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE":
        return "WAV"
    if head[:4] == b"fLaC":
        return "FLAC"
    if head[:4] == b"OggS":
        return "OGG"
    # [RFC3003] and [ISO11172-3], 2.4.1.3: eleven sync bits, then a layer that is not the reserved 00.
    if head[:3] == b"ID3" or (len(head) > 1 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[1] & 6):
        return "MP3"
    return ""


def missing_bytes(path: Path, container: str) -> int:
    """Return how many bytes the file says it should still have; 0 if it is whole or states no length.

    For OGG, whose pages carry no total, 1 if the page marked as the last is not there. FLAC is left to its
    decoder, which notices.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        if container == "WAV":
            return _wav_missing(file, size)
        if container == "OGG":
            return _ogg_missing(file, size)
    return mp3_length(path).missing_bytes if container == "MP3" else 0


def _wav_missing(file: BinaryIO, size: int) -> int:
    # RIFF: 12 bytes of header, then chunks of a four-letter name, a 32-bit length, and data padded to even.
    position, long_data = 12, 0
    while position + 8 <= size:
        file.seek(position)
        name, length = struct.unpack("<4sI", file.read(8))
        if name == b"ds64":  # [EBU3306]: 64-bit sizes of an RF64 file
            long_data = struct.unpack("<QQ", file.read(16).ljust(16, b"\0"))[1]
        if name == b"data":
            if length in _WAV_OPEN_LENGTHS:
                length = long_data
            return int(max(0, position + 8 + length - size))
        position += 8 + length + length % 2
    return max(1, position - size)


def _ogg_missing(file: BinaryIO, size: int) -> int:
    # [RFC3533], section 6: page header of 27 bytes, flags at byte 5, number of segments at byte 26.
    file.seek(max(0, size - _OGG_LARGEST_PAGE))
    tail = file.read()
    start = tail.rfind(b"OggS")
    while start >= 0:
        header = tail[start : start + 27]
        if len(header) == 27 and header[4] == 0:
            lengths = tail[start + 27 : start + 27 + header[26]]
            end = start + 27 + header[26] + sum(lengths)
            whole = len(lengths) == header[26] and end <= len(tail)
            return 0 if whole and header[5] & _OGG_LAST_PAGE else max(1, end - len(tail))
        start = tail.rfind(b"OggS", 0, start)
    return 1
