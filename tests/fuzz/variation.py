"""Changes that get past check sums and grammar, to the values behind them; chance alone hardly ever does."""

from __future__ import annotations

import binascii
import io
import json
import random
import re
import zipfile
import zlib
from collections.abc import Callable

from fuzz import seeds

from envlab.bench.captures.log_frames import HEADER, START

NUMBERS = (
    "0", "-0.0", "-1", "1", "2", "15", "16", "17", "255", "65535", "65536", "2147483648", "4294967295",
    "9223372036854775808", "1e-320", "1e-300", "1e-9", "0.5", "1e9", "1e300", "1e308", "1e400", "nan", "inf",
    "-inf", "9" * 400,
)  # fmt: skip
TEXTS = (
    '""', '"a"', '"4k7"', '"1e999k"', '"\\u0000"', '"\\n"', '"nan"', '"moving_mean"', '"ideal"', '"none"',
    '"drum_line.flac"', '"../x"', '"90 dB(A)"', '"E24"', '"' + "x" * 700 + '"', "true", "[]", "{}", "[1, 2]",
    '[["a"]]', "null", "1979-05-27", "{ low = 1, high = 1e9, series = \"E96\" }",
)  # fmt: skip
_VALUE = re.compile(rb"(?<=[=:,\[ ])\s*(\"[^\"\n]*\"|[-+\w.]+)(?=[,\]} \n|])")


def with_other_value(data: bytes, rng: random.Random) -> bytes:
    """One number or text of a text file is another one."""
    found = list(_VALUE.finditer(data))
    if not found:
        return data
    at = rng.choice(found)
    value = rng.choice(NUMBERS if rng.random() < 0.6 else TEXTS)
    return data[: at.start(1)] + value.encode() + data[at.end(1) :]


def with_other_lines(data: bytes, rng: random.Random) -> bytes:
    """A line goes, comes twice, or changes its place."""
    lines = data.split(b"\n")
    line = lines.pop(rng.randrange(len(lines)))
    for _ in range(rng.randrange(3)):
        lines.insert(rng.randrange(len(lines) + 1), line)
    return b"\n".join(lines)


def with_number_in_place(data: bytes, rng: random.Random) -> bytes:
    """Two, four or eight bytes are a number of a kind that breaks things."""
    width = rng.choice((1, 2, 4, 8))
    value = rng.choice((0, 1, 2, (1 << 8 * width) - 1, 1 << (8 * width - 1), rng.getrandbits(8 * width)))
    at = rng.randrange(max(1, len(data) - width))
    return data[:at] + value.to_bytes(width, rng.choice(("little", "big"))) + data[at + width :]


def with_its_sum(data: bytes) -> bytes:
    """A written table with the check sum over its text put right."""
    text = data.decode("ascii", errors="ignore")
    body, found, _ = (
        text.rpartition("/* CRC-32 of") if "/* CRC-32 of" in text else text.rpartition("# CRC-32 of")
    )
    if not found:
        return data
    end = " */\n" if found.startswith("/*") else "\n"
    said = f"{found} every byte above this line: 0x{zlib.crc32(body.encode('ascii')):08X}{end}"
    return (body + said).encode("ascii")


def json_with_other_value(data: bytes, rng: random.Random) -> bytes:
    """A JSON table in which one value is another one, with its check sum put right."""
    try:
        content = json.loads(data)
        content.pop("text_crc32")
        content[rng.choice(list(content))] = json.loads(rng.choice([*JSON_VALUES]))
        content["text_crc32"] = f"0x{zlib.crc32(json.dumps(content).encode('ascii')):08X}"
    except (ValueError, KeyError, AttributeError, IndexError, TypeError, RecursionError):
        return data
    return (json.dumps(content, indent=1) + "\n").encode("ascii")


JSON_VALUES = (
    "0", "-1", "1e400", "-1e400", "NaN", "null", "true", '""', '"0xFFFFFFFF"', '"0x"', "[]", "{}", '[null]',
    "[0, 1, 1e400]", "[[1]]", '["\\u2028"]', "4294967296", "1e-320", "0.5", '"octave"', "16", "17", "9" * 400,
)  # fmt: skip


def trailer_with_other_value(data: bytes, rng: random.Random) -> bytes:
    """A binary table whose trailer has another value, with length and CRC-32 put right."""
    length = int.from_bytes(data[-8:-4], "little")
    start = len(data) - 8 - length
    if len(data) < 8 or start < 0:
        return data
    try:
        content = json.loads(data[start:-8])
        content[rng.choice(list(content))] = json.loads(rng.choice(JSON_VALUES))
        values = json.dumps(content).encode("ascii")
    except (ValueError, AttributeError, IndexError, TypeError, RecursionError):
        values = rng.choice(JSON_VALUES).encode()
    body = data[:start] + values + len(values).to_bytes(4, "little")
    return body + zlib.crc32(body).to_bytes(4, "little")


def archive_with_other_member(data: bytes, rng: random.Random) -> bytes:
    """An archive with one member changed, gone, or packed; its own check sums are right."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as stored:
            members = [(info.filename, stored.read(info)) for info in stored.infolist()]
    except Exception:  # bytes that are no archive may fail in any way here
        return rng.choice(seeds.checkpoints())
    if not members:
        return rng.choice(seeds.checkpoints())
    at = rng.randrange(len(members))
    name, content = members[at]
    content = rng.choice((_other_shape, with_number_in_place, _other_name_in_header))(content, rng)
    members[at] = (rng.choice((name, name, name, "digest.npy", "../x.npy", "question", "x" * 300)), content)
    if rng.random() < 0.1:
        members.pop(at)
    packed = rng.choice((zipfile.ZIP_STORED,) * 4 + (zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2))
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", packed) as archive:
        for name, content in dict(members).items():
            archive.writestr(name, content)
    return whole.getvalue()


def _other_shape(content: bytes, rng: random.Random) -> bytes:
    shape = rng.choice(
        (b"(1073741824,)", b"(2305843009213693952,)", b"(-1,)", b"()", b"(0, 9)", b"(1e9,)", b"(7", b"'a'")
    )
    return _header(re.sub(rb"'shape': \([^)]*\)", b"'shape': " + shape, content), content)


def _other_name_in_header(content: bytes, rng: random.Random) -> bytes:
    kind = rng.choice(("<f8", "|O", "<U9999999", ">i2", "<c16", "|V0", "<M8[s]", "x", "<f8" * 99))
    return _header(re.sub(rb"'descr': '[^']*'", f"'descr': '{kind}'".encode(), content), content)


def _header(changed: bytes, before: bytes) -> bytes:
    """Put the length of an array's header right (format 1.0 of NPY: two bytes behind magic and version)."""
    length = int.from_bytes(before[8:10], "little") + len(changed) - len(before)
    return changed[:8] + (length & 0xFFFF).to_bytes(2, "little") + changed[10:]


def frame_with_other_bytes(data: bytes, rng: random.Random) -> bytes:
    """A frame of the logger with a number changed and its check sum put right."""
    starts = [found.start() for found in re.finditer(re.escape(START), data)]
    if not starts:
        return data
    at = rng.choice(starts) + 2
    size = 13 if data[at : at + 1] == bytes([HEADER]) else 1 + 2 + 2 * 16
    body = with_number_in_place(data[at : at + size], rng)[:size]
    return data[:at] + body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little") + data[at + size + 2 :]


def _text(data: bytes, rng: random.Random) -> bytes:
    return rng.choice((with_other_value, with_other_value, with_other_lines))(data, rng)


def _summed(data: bytes, rng: random.Random) -> bytes:
    return with_its_sum(_text(data, rng))


Variation = Callable[[bytes, random.Random], bytes]
VARIATIONS: dict[str, Variation] = {
    "sound": with_number_in_place,
    "design": _text,
    "header": _summed,
    "csv_table": _summed,
    "json_table": json_with_other_value,
    "binary_table": trailer_with_other_value,
    "checkpoint": archive_with_other_member,
    "number_table": _text,
    "log": frame_with_other_bytes,
    "voltage_sound": with_number_in_place,
}
