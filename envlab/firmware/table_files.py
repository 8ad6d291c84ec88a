"""The brightness table as CSV, as JSON and as raw little-endian bytes, written and read back."""

from __future__ import annotations

import csv
import io
import json
import zlib
from pathlib import Path
from typing import Any

from envlab.errors import EnvlabError, FileError
from envlab.files.whole import read_whole, write_whole
from envlab.firmware.edits import ascii_lines, code_array, compare_lines
from envlab.firmware.table_record import (
    UNITS,
    CheckedTable,
    Record,
    code_bytes,
    codes_from_bytes,
    explain_change,
    from_record,
    to_record,
)
from envlab.light.table import LookupTable
from envlab.units import IntArray

_CSV_COLUMNS = ("entry", "envelope_counts", "duty_code", "duty")


def write_csv(table: LookupTable, path: str | Path, *, design_digest: str = "", export_mark: int = 0) -> None:
    """Write a table as CSV: lines "# key = value | unit", then one row for each entry.

    Columns: entry; envelope_counts above quiescent; duty_code; duty, share of full. Raises FileError.
    """
    write_whole(path, csv_bytes(table, design_digest=design_digest, export_mark=export_mark))


def csv_bytes(table: LookupTable, *, design_digest: str = "", export_mark: int = 0) -> bytes:
    """Return what write_csv writes."""
    return _csv_text(table, to_record(table, design_digest, export_mark)).encode("ascii")


def read_csv(path: str | Path) -> CheckedTable:
    """Return the table that write_csv wrote. Raises FileError that names the line that has changed."""
    lines = ascii_lines(path)
    record: Record = {}
    for line in lines:
        key, _, rest = line.removeprefix("# ").partition(" = ")
        unit = f" | {UNITS.get(key, '')}"
        if line.startswith("# ") and key in UNITS and rest.endswith(unit):
            record[key] = _json_value(path, rest[: -len(unit)])
    data_lines = [line for line in lines if not line.startswith("#")]
    try:
        codes = [int(row["duty_code"]) for row in csv.DictReader(data_lines)]
    except (KeyError, TypeError, ValueError, csv.Error) as error:
        raise FileError(
            f"{path}: no brightness table of envlab, or the column duty_code is broken"
        ) from error
    checked = _checked(path, record, code_array(path, codes))
    expected = _csv_text(checked.table, checked.record()).split("\n")
    compare_lines(path, lines, expected)
    return checked


def write_json(
    table: LookupTable, path: str | Path, *, design_digest: str = "", export_mark: int = 0
) -> None:
    """Write a table as JSON: its values, their units, and the list duty_codes. Raises FileError."""
    write_whole(path, json_bytes(table, design_digest=design_digest, export_mark=export_mark))


def json_bytes(table: LookupTable, *, design_digest: str = "", export_mark: int = 0) -> bytes:
    """Return what write_json writes."""
    return _json_text(table, to_record(table, design_digest, export_mark)).encode("ascii")


def read_json(path: str | Path) -> CheckedTable:
    """Return the table that write_json wrote. Raises FileError that names what has changed."""
    lines = ascii_lines(path)
    content = _json_value(path, "\n".join(lines))
    try:
        record = {key: content[key] for key in UNITS}
        codes = list(content["duty_codes"])
    except (KeyError, TypeError, ValueError) as error:
        raise FileError(f"{path}: no brightness table of envlab: {error} is missing or broken") from error
    checked = _checked(path, record, code_array(path, codes))
    compare_lines(path, lines, _json_text(checked.table, checked.record()).split("\n"))
    return checked


def write_binary(
    table: LookupTable, path: str | Path, *, design_digest: str = "", export_mark: int = 0
) -> None:
    """Write a table as raw little-endian codes, ready to be flashed, with a trailer that firmware may ignore.

    Layout: the codes (entries bytes up to 8 bit, else 2·entries), then the other values as JSON, then the
    length of that JSON and the CRC-32 of everything before the CRC, each as little-endian 32 bit.
    """
    write_whole(path, binary_bytes(table, design_digest=design_digest, export_mark=export_mark))


def binary_bytes(table: LookupTable, *, design_digest: str = "", export_mark: int = 0) -> bytes:
    """Return what write_binary writes."""
    codes = code_bytes(table.duty_codes, table.bits)
    values = json.dumps(to_record(table, design_digest, export_mark)).encode("ascii")
    body = codes + values + len(values).to_bytes(4, "little")
    return body + zlib.crc32(body).to_bytes(4, "little")


def read_binary(path: str | Path) -> CheckedTable:
    """Return the table that write_binary wrote. Raises FileError that names the byte that has changed."""
    data = read_whole(path)
    length = int.from_bytes(data[-8:-4], "little")
    end_of_codes = len(data) - 8 - length
    if len(data) < 8 or end_of_codes < 0:
        raise FileError(f"{path}: no brightness table of envlab, or cut short")
    try:
        record = json.loads(data[end_of_codes:-8].decode("ascii"))
        codes = codes_from_bytes(data[:end_of_codes], int(record["bits"]))
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
        raise FileError(f"{path}: the trailer from byte {end_of_codes} on has changed") from error
    checked = _checked(path, record, codes)
    if zlib.crc32(data[:-4]) != int.from_bytes(data[-4:], "little"):
        raise FileError(f"{path}: a byte of the trailer, from byte {end_of_codes} on, has changed")
    return checked


def _csv_text(table: LookupTable, record: Record) -> str:
    text = io.StringIO()
    for key, value in record.items():
        text.write(f"# {key} = {json.dumps(value)} | {UNITS[key]}\n")
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(_CSV_COLUMNS)
    for entry, (counts, code, duty) in enumerate(
        zip(table.entry_counts.tolist(), table.duty_codes.tolist(), table.duty.tolist(), strict=True)
    ):
        rows.writerow((entry, f"{counts:.6g}", code, f"{duty:.7g}"))
    body = text.getvalue()
    return f"{body}# CRC-32 of every byte above this line: 0x{zlib.crc32(body.encode('ascii')):08X}\n"


def _json_text(table: LookupTable, record: Record) -> str:
    content: dict[str, object] = dict(record)
    content["units"] = UNITS
    content["duty_codes"] = table.duty_codes.tolist()
    content["text_crc32"] = f"0x{zlib.crc32(json.dumps(content).encode('ascii')):08X}"
    return json.dumps(content, indent=1) + "\n"


def _json_value(path: str | Path, text: str) -> Any:
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:  # thousands of brackets in each other
        raise FileError(f"{path}: has been edited: {error}") from error


def _checked(path: str | Path, record: Record, codes: IntArray) -> CheckedTable:
    try:
        bits, wanted = int(str(record["bits"])), int(str(record["crc32"]), 16)
        problem = explain_change(codes, bits, wanted)
        if problem is not None:
            raise FileError(f"{path}: {problem}")
        return from_record(record, codes)
    except FileError:
        raise
    except (EnvlabError, KeyError, TypeError, ValueError) as error:
        raise FileError(f"{path}: no brightness table of envlab, or edited: {error}") from error
