"""What every written form of a brightness table carries, and the check over its bytes."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from envlab import __version__
from envlab.errors import ParameterError
from envlab.light.curve import CountMap
from envlab.light.table import LookupTable
from envlab.units import IntArray

FORMAT = 1

# Every value of a record with its unit, in the order in which it is written.
UNITS = {
    "format": "number of this file format",
    "envlab_version": "version that wrote this file",
    "design_digest": "digest of the design it belongs to",
    "name": "text",
    "entries": "entries",
    "bits": "bit, depth of a duty code; duty = code / (2^bits - 1)",
    "full_scale_counts": "counts of envelope above quiescent, of the last entry",
    "index": "how counts lead to an entry",
    "duty_limit": "largest duty that may be asked, share of full",
    "base_light": "share of full light that stays when all is quiet",
    "floor_counts": "counts of envelope above quiescent; dark below",
    "ceiling_counts": "counts of envelope above quiescent; full from here on",
    "curve": "curve between floor and ceiling",
    "exponent": "exponent of the curve power",
    "light_span_db": "dB of light of the curve decibel",
    "knee_position": "share of the way from floor to ceiling",
    "knee_output": "share of the way of the light at the knee",
    "notes": "list of texts",
    "crc32": "CRC-32 (IEEE 802.3) over the codes in order, little-endian",
}

Value = str | int | float | list[str]
Record = dict[str, Value]


@dataclass(frozen=True)
class CheckedTable:
    """A table as read back, with the version and the design digest that stood beside it."""

    table: LookupTable
    envlab_version: str
    design_digest: str


def code_bytes(codes: IntArray, bits: int) -> bytes:
    """Return the codes as they lie in a little-endian machine: one byte each up to 8 bit, else two."""
    return np.asarray(codes).astype("<u1" if bits <= 8 else "<u2").tobytes()


def codes_from_bytes(data: bytes, bits: int) -> IntArray:
    """Return the codes (entries,) that code_bytes wrote."""
    return np.frombuffer(data, "<u1" if bits <= 8 else "<u2").astype(np.int64)


def table_crc32(codes: IntArray, bits: int) -> int:
    """Return the CRC-32 ([IEEE802.3], as in zlib) over the codes' little-endian bytes."""
    return zlib.crc32(code_bytes(codes, bits))


def to_record(table: LookupTable, design_digest: str, version: str = __version__) -> Record:
    """Return every value of a table but its codes, in the order of UNITS."""
    _check_digest(design_digest)
    values: dict[str, Value] = {
        "format": FORMAT,
        "envlab_version": version,
        "design_digest": design_digest,
        "name": table.name,
        "entries": table.entries,
        "bits": int(table.bits),
        "full_scale_counts": int(table.full_scale_counts),
        "index": table.index,
        "duty_limit": float(table.duty_limit),
        "base_light": float(table.base_light),
        **{field.name: getattr(table.count_map, field.name) for field in fields(CountMap)},
        "notes": list(table.notes),
        "crc32": f"0x{table_crc32(table.duty_codes, table.bits):08X}",
    }
    return {key: values[key] for key in UNITS}


def from_record(record: Mapping[str, Value], codes: IntArray) -> CheckedTable:
    """Return the table of a record and its codes.

    Raises ParameterError or KeyError when a value is missing or is not what it should be; the readers turn
    both into a FileError that names the file.
    """
    if record["format"] != FORMAT:
        raise ParameterError("format", record["format"], f"{FORMAT}, the one this version reads")
    if record["entries"] != len(codes):
        raise ParameterError("entries", record["entries"], f"{len(codes)}, the number of codes that follow")
    count_map = CountMap(**{field.name: record[field.name] for field in fields(CountMap)})  # type: ignore[arg-type]
    names = ("bits", "full_scale_counts", "duty_limit", "name", "index", "base_light")
    given = {name: record[name] for name in names}
    notes = tuple(record["notes"]) if isinstance(record["notes"], list) else ()
    table = LookupTable(duty_codes=codes, count_map=count_map, notes=notes, **given)  # type: ignore[arg-type]
    return CheckedTable(table, str(record["envlab_version"]), str(record["design_digest"]))


def find_changed_entry(data: bytes, wanted_crc32: int, width: int) -> tuple[int, int] | None:
    """Return (entry, code it had) if changing one entry of ``width`` bytes gives the wanted CRC-32.

    None if no such change does. A CRC is linear: the difference between the CRCs of two equally long texts
    depends on the differing bytes alone. So it is run backwards until it is no wider than one entry.
    """
    difference = zlib.crc32(data) ^ wanted_crc32
    for offset in range(len(data) - 1, -1, -1):
        byte = _BYTE_OF_TOP[difference >> 24]
        difference = (((difference ^ _CRC_STEP[byte]) << 8) & 0xFFFFFFFF) | byte
        if offset % width == 0 and 0 < difference < 1 << 8 * width:
            stands = int.from_bytes(data[offset : offset + width], "little")
            return offset // width, stands ^ difference
    return None


def explain_change(codes: IntArray, bits: int, wanted_crc32: int) -> str | None:
    """Return what is wrong with codes whose CRC-32 is not the wanted one, None if it is."""
    if bits <= 8 and codes.size and codes.max() > 0xFF:
        return f"entry {int(codes.argmax())} reads {int(codes.max())}, above the 255 of {bits} bit"
    data = code_bytes(codes, bits)
    if zlib.crc32(data) == wanted_crc32:
        return None
    found = find_changed_entry(data, wanted_crc32, 1 if bits <= 8 else 2)
    if found is None:
        return f"the codes do not fit their CRC-32 of 0x{wanted_crc32:08X}; more than one entry has changed"
    entry, code = found
    return f"entry {entry} reads {int(codes[entry])}; by the CRC-32 it was {code}"


def _crc_step_table() -> list[int]:
    steps = []
    for byte in range(256):
        value = byte
        for _ in range(8):
            value = (value >> 1) ^ (0xEDB88320 if value & 1 else 0)
        steps.append(value)
    return steps


_CRC_STEP = _crc_step_table()
_BYTE_OF_TOP = {value >> 24: byte for byte, value in enumerate(_CRC_STEP)}


def _check_digest(design_digest: str) -> None:
    if not isinstance(design_digest, str) or not design_digest.isprintable() or not design_digest.isascii():
        raise ParameterError("design_digest", design_digest, "printable ASCII text, such as a hex digest")
