"""How long an MP3 really is, and whether its frames can be what they say: all of them, one by one.

An MP3 need not state its length; decoders then guess it from the first frame and may stop early without a
word. Each frame says how long itself is ([ISO11172-3], 2.4.1.3 and 2.4.2.3; [ISO13818-3] for the low rates).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

# kbit/s of layer III, by the four bits in the frame's header; 0 is "free", 15 is forbidden
_KBIT_MPEG_1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBIT_MPEG_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_RATES_HZ = {3: (44_100, 48_000, 32_000), 2: (22_050, 24_000, 16_000), 0: (11_025, 12_000, 8_000)}
_TAG_HEADER = 10
# Pairs of values that a granule may have, half of its 576 ([ISO11172-3], 2.4.2.7, big_values)
_MOST_PAIRS = 288
# Header, check sum and the longest side information, bytes.
_MOST_HEAD = 4 + 2 + 32
# Bytes that are read together: an evening's file is walked through, not held.
_AT_ONCE = 1 << 20
# A frame's header but for its last byte: sync bits, a version, layer III, a bit rate.
_LIKE_A_FRAME = re.compile(rb"\xff[\xe2\xe3\xf2\xf3\xfa\xfb][\x10-\xef]", re.DOTALL)


class Mp3Length(NamedTuple):
    """How long an MP3 is.

    samples: per channel, of all its frames. missing_bytes: what the last frame or the stated length lacks.
    breaks: how often something stands between frames, or before them, that is none: a tag, damage.
    """

    samples: int
    missing_bytes: int
    breaks: int = 0


class _Frame(NamedTuple):
    position: int
    head: bytes
    length: int
    samples: int


def mp3_length(path: Path) -> Mp3Length:
    """Return the length of an MP3 by its frames; no samples for a stream whose frames cannot be told.

    Frames behind a tag in their midst, as where files were joined, or behind damage count too: a decoder that
    ends there would make an evening a song without a word.
    """
    size = path.stat().st_size
    with path.open("rb", buffering=_AT_ONCE) as file:
        begin = tag_bytes(file.read(_TAG_HEADER))
        if begin > size:
            return Mp3Length(0, begin - size)
        file.seek(begin)
        stated = _stated_bytes(file.read(256))
        missing = max(0, begin + stated - size) if stated else 0
        samples, breaks, end = 0, 0, begin
        for frame in _frames(file, begin, size):
            breaks += frame.position > end
            end = frame.position + frame.length
            if end > size:
                return Mp3Length(samples, max(missing, end - size), breaks)
            samples += frame.samples
    return Mp3Length(samples, missing, breaks)


def damaged_frame(path: Path) -> int:
    """Return the number, from 1 on, of the first frame that claims more than a frame can hold; 0: none.

    A decoder goes on behind such a frame with whatever its memory holds, and gives another sound each time.
    """
    size = path.stat().st_size
    with path.open("rb", buffering=_AT_ONCE) as file:
        begin = tag_bytes(file.read(_TAG_HEADER))
        for number, frame in enumerate(_frames(file, begin, size), start=1):
            if frame.position + frame.length > size:
                break
            if not _is_possible(frame.head, frame.length):
                return number
    return 0


def _frames(file: BinaryIO, position: int, size: int) -> Iterator[_Frame]:
    """Yield frame after frame from a position on; the last one may reach beyond the end."""
    while position < size:
        file.seek(position)
        head = file.read(_MOST_HEAD)
        found = _frame(head)
        if found is None:
            position = _next_pair(file, position + 1, size)
            continue
        yield _Frame(position, head, *found)
        position += found[0]


def _next_pair(file: BinaryIO, position: int, size: int) -> int:
    """Where two frames of one kind stand one behind the other; the size if they do nowhere.

    One alone is no proof: a picture in a tag has bytes that look like a frame's.
    """
    while position < size:
        file.seek(position)
        portion = file.read(_AT_ONCE)
        for match in _LIKE_A_FRAME.finditer(portion):
            at = position + match.start()
            first = _head_at(file, at)
            found = _frame(first)
            if found is None or at + found[0] >= size:
                continue
            second = _head_at(file, at + found[0])
            if _frame(second) is not None and _kind(first) == _kind(second):
                return at
        # What looks like a frame may begin with the last two bytes of a portion.
        position += max(1, len(portion) - 2)
    return size


def _head_at(file: BinaryIO, position: int) -> bytes:
    file.seek(position)
    return file.read(4)


def _kind(header: bytes) -> tuple[int, int]:
    """Version with layer, and sample rate: what no frame of one stream has otherwise."""
    return header[1] >> 1, (header[2] >> 2) & 3


def _is_possible(head: bytes, length: int) -> bool:
    """Whether the bits that a frame of this length claims at its head are there ([ISO11172-3], 2.4.1.7)."""
    first, channels = (head[1] >> 3) & 3 == 3, 1 if head[3] >> 6 == 3 else 2
    # Header, check sum if there is one, side information; MPEG-2's has one granule ([ISO13818-3], 2.4.1.7).
    start = 4 if head[1] & 1 else 6
    size = (17, 32)[channels - 1] if first else (9, 17)[channels - 1]
    side, left = int.from_bytes(head[start : start + size], "big"), 8 * size
    earlier_bits = 9 if first else 8
    earlier_bytes = side >> (left - earlier_bits)
    left -= earlier_bits + ((5, 3)[channels - 1] + 4 * channels if first else channels)
    of_one, claimed = (59 if first else 63), 0
    for _ in range(2 * channels if first else channels):
        claimed += (side >> (left - 12)) & 0xFFF
        if (side >> (left - 21)) & 0x1FF > _MOST_PAIRS:
            return False
        left -= of_one
    return claimed <= 8 * (earlier_bytes + length - start - size)


def tag_bytes(head: bytes) -> int:
    """Length of an ID3 tag at the start, 0 without one (ID3v2.4, section 3.1: four times seven bits)."""
    if head[:3] != b"ID3" or len(head) < _TAG_HEADER:
        return 0
    return _TAG_HEADER + sum((head[6 + i] & 0x7F) << (7 * (3 - i)) for i in range(4))


def _stated_bytes(first_frame: bytes) -> int:
    """Length of the stream as its encoder wrote it into the first frame (common practice, no source)."""
    mark = max(first_frame.find(b"Xing"), first_frame.find(b"Info"))
    if mark < 0 or len(first_frame) < mark + 16:
        return 0
    flags = int.from_bytes(first_frame[mark + 4 : mark + 8], "big")
    at = mark + 8 + (4 if flags & 1 else 0)
    return int.from_bytes(first_frame[at : at + 4], "big") if flags & 2 else 0


def _frame(header: bytes) -> tuple[int, int] | None:
    """(bytes, samples per channel) of the layer III frame with this header, None if it is none."""
    if len(header) < 4 or header[0] != 0xFF or header[1] & 0xE6 != 0xE2:
        return None
    version, rate, kbit = (header[1] >> 3) & 3, (header[2] >> 2) & 3, header[2] >> 4
    if version == 1 or rate == 3 or kbit in (0, 15):
        return None
    first = version == 3
    bits_s = 1000 * (_KBIT_MPEG_1 if first else _KBIT_MPEG_2)[kbit]
    samples = 1152 if first else 576
    return samples // 8 * bits_s // _RATES_HZ[version][rate] + ((header[2] >> 1) & 1), samples
