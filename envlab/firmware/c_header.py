"""The brightness table as a C99 header: write it, read it back, notice every edit."""

from __future__ import annotations

import json
import re
import zlib
from pathlib import Path

from envlab import __version__
from envlab.errors import EnvlabError, FileError
from envlab.files.whole import write_whole
from envlab.firmware.c_look_up import look_up_lines
from envlab.firmware.c_names import check_identifier
from envlab.firmware.edits import ascii_lines, code_array, compare_lines
from envlab.firmware.marks import RUNTIME_FOLDER, mark_lines
from envlab.firmware.table_record import (
    UNITS,
    CheckedTable,
    Record,
    explain_change,
    from_record,
)
from envlab.light.table import LookupTable
from envlab.units import IntArray

_PER_ROW = {1: 16, 2: 12}
_VALUE_LINE = re.compile(r" \*   (?P<key>\w+) = (?P<rest>.*)")
_ARRAY_LINE = re.compile(r"static const uint(?P<width>8|16)_t (?P<identifier>\w+)\[\w+\] ENVLAB_ROM = \{")
_ROW_LINE = re.compile(r"    (?:\d+u, )*\d+u,? /\* (?P<first>\d+) \*/")


def write_header(
    table: LookupTable,
    path: str | Path,
    *,
    identifier: str = "brightness_table",
    design_digest: str = "",
    export_mark: int = 0,
) -> None:
    """Write a table as a C99 header that compiles as it stands, also as C++.

    identifier: name of the array and, in capitals, beginning of every macro. design_digest: text that tells
    which design the table belongs to, put into the header as it is. export_mark: number that the files of
    one export share (envlab.firmware.marks); 0 for a header that stands by itself.
    The file appears whole or not at all. Raises ParameterError (a name that C cannot have) or FileError.
    """
    text = header_text(table, identifier=identifier, design_digest=design_digest, export_mark=export_mark)
    write_whole(path, text.encode("ascii"))


def header_text(
    table: LookupTable,
    *,
    identifier: str = "brightness_table",
    design_digest: str = "",
    export_mark: int = 0,
) -> str:
    """Return the text that write_header writes.

    Parameters
    ----------
    table : LookupTable
        The brightness table.
    identifier : str
        Name of the C array.
    design_digest : str
        What stands for the design, in hexadecimal digits.
    export_mark : int
        Number that all files of one export carry, 0 for none.

    Returns
    -------
    str
    """
    check_identifier("identifier", identifier)
    return _render(CheckedTable(table, __version__, design_digest, export_mark), identifier)


def read_header(path: str | Path) -> LookupTable:
    """Return the table of a header that write_header wrote.

    Parameters
    ----------
    path : path
        The header.

    Returns
    -------
    LookupTable

    Raises
    ------
    FileError
        It names file and line, when anything in it has changed since.
    """
    return read_checked_header(path).table


def read_checked_header(path: str | Path) -> CheckedTable:
    """Return table, version and design digest of a header that write_header wrote. Raises FileError."""
    lines = ascii_lines(path)
    record = _parse_record(path, lines)
    identifier, codes, row_lines = _parse_codes(path, lines)
    _check_codes(path, record, codes, row_lines)
    try:
        checked = from_record(record, codes)
        expected = _render(checked, identifier).split("\n")
    except (EnvlabError, KeyError, TypeError) as error:
        raise FileError(f"{path}: the header has been edited: {error}") from error
    compare_lines(path, lines, expected)
    return checked


def _render(checked: CheckedTable, identifier: str) -> str:
    table, record, prefix = checked.table, checked.record(), identifier.upper()
    ties = mark_lines(f"{identifier}.h", checked.export_mark) if checked.export_mark else []
    lines = [
        "/* Duty of the pixels by envelope reading. Made by envlab; do not edit: every byte is checked.",
        " *",
        *(f" *   {key} = {_as_text(value)} | {UNITS[key]}" for key, value in record.items()),
        " *",
        *(f" * {line}" for line in _mapping(table, identifier)),
        " */",
        f"#ifndef {prefix}_H",
        f"#define {prefix}_H",
        "",
        "#include <stdint.h>",
        "",
        *(RUNTIME_FOLDER / "envlab_rom.h").read_text("ascii").rstrip("\n").split("\n"),
        "",
        *ties,
        *_macros(table, record, prefix),
        "",
        f"static const uint{_width(table) * 8}_t {identifier}[{prefix}_ENTRIES] ENVLAB_ROM = {{",
        *_rows(table),
        "};",
        "",
        *look_up_lines(table, identifier, prefix),
        "",
        "#endif",
    ]
    text = "\n".join(lines) + "\n"
    return text + f"/* {_text_check(text)} */\n"


def _text_check(text: str) -> str:
    return f"CRC-32 of every byte above this line: 0x{zlib.crc32(text.encode('ascii')):08X}"


def _as_text(value: object) -> str:
    # A slash beside a star is written as its code, so that no text of the user's ends or opens a C comment.
    return re.sub(r"(?<=\*)/|/(?=\*)", r"\\u002f", json.dumps(value))


def _width(table: LookupTable) -> int:
    return 1 if table.bits <= 8 else 2


def _mapping(table: LookupTable, identifier: str) -> list[str]:
    steps, full = table.entries - 1, table.full_scale_counts
    lines = [
        f"Entry i of {identifier} is a duty code: unsigned Q{table.bits}.0, duty = code / {table.full_code}."
    ]
    if table.index == "octave":
        per = table.steps_per_octave
        lines += [
            f"Index: {per} entries for each doubling of the counts, even within it. With e the place",
            f"of the top bit of the counts (0 for 1 count): position = e*{per} + (counts/2^e - 1)*{per};",
            "below 1 count position 0. i is its whole part, f the fraction of it.",
        ]
    elif steps == full:
        lines += ["Index: i = counts of envelope above quiescent, one entry for each count."]
    else:
        lines += [f"Index: position = counts * {steps} / {full}; i is its whole part, f the fraction of it."]
        if full % steps == 0 and (full // steps) & (full // steps - 1) == 0:
            shift = (full // steps).bit_length() - 1
            lines += [
                f"In whole numbers: i = counts >> {shift}, f = (counts & {(1 << shift) - 1}) / {1 << shift}."
            ]
    if table.index == "octave" or steps != full:
        lines += [
            "Between entries: e[i] + f*(e[i+1] - e[i]), rounded half up; i ends one before the last entry."
        ]
    return lines


def _macros(table: LookupTable, record: Record, prefix: str) -> list[str]:
    values = [
        ("ENTRIES", f"{table.entries}u", "entries"),
        ("BITS", f"{table.bits}u", "bit, depth of a code"),
        ("FULL_CODE", f"{table.full_code}u", f"code of duty 1, Q{table.bits}.0"),
        ("TOP_CODE", f"{int(table.duty_codes[-1])}u", f"largest code in the table, Q{table.bits}.0"),
        ("FULL_SCALE", _unsigned(table.full_scale_counts), "counts above quiescent, of the last entry"),
        ("CRC32", f"{record['crc32']}ul", "CRC-32 over the codes, little-endian"),
    ]
    if table.index == "octave":
        values.append(("PER_OCTAVE", f"{table.steps_per_octave}u", "entries for each doubling of the counts"))
    return [f"#define {prefix}_{name} {value} /* {unit} */" for name, value, unit in values]


def _unsigned(value: int) -> str:
    # unsigned int may have 16 bit.
    return f"{value}u" if value <= 0xFFFF else f"{value}ul"


def _rows(table: LookupTable) -> list[str]:
    codes, per_row = [f"{int(code)}u" for code in table.duty_codes], _PER_ROW[_width(table)]
    rows = []
    for first in range(0, len(codes), per_row):
        comma = "," if first + per_row < len(codes) else ""
        rows.append(f"    {', '.join(codes[first : first + per_row])}{comma} /* {first} */")
    return rows


def _parse_record(path: str | Path, lines: list[str]) -> Record:
    record: Record = {}
    for number, line in enumerate(lines, 1):
        match = _VALUE_LINE.fullmatch(line)
        if match is None:
            continue
        key, rest = match["key"], match["rest"]
        unit = f" | {UNITS.get(key, '')}"
        try:
            if key not in UNITS or key in record or not rest.endswith(unit):
                raise ValueError
            record[key] = json.loads(rest[: -len(unit)])
        except (ValueError, RecursionError) as error:
            raise FileError(f"{path}: line {number} has been edited: {line.strip()}") from error
    missing = [key for key in UNITS if key not in record]
    if missing:
        raise FileError(f"{path}: no brightness table of envlab: the value {missing[0]!r} is not in it")
    return record


def _parse_codes(path: str | Path, lines: list[str]) -> tuple[str, IntArray, list[int]]:
    """Return the array's name, its codes and the line number of each code."""
    opened = next(((n, m) for n, line in enumerate(lines) if (m := _ARRAY_LINE.fullmatch(line))), None)
    if opened is None:
        raise FileError(f"{path}: the line that opens the array is missing or has been edited")
    start, match = opened
    codes: list[int] = []
    numbers: list[int] = []
    for number, line in enumerate(lines[start + 1 :], start + 2):
        if line == "};":
            return match["identifier"], code_array(path, codes), numbers
        row = _ROW_LINE.fullmatch(line)
        if row is None or int(row["first"]) != len(codes):
            raise FileError(f"{path}: line {number} has been edited: {line.strip()}")
        found = [int(text) for text in re.findall(r"(\d+)u", line)]
        codes += found
        numbers += [number] * len(found)
    raise FileError(f"{path}: ends within the array")


def _check_codes(path: str | Path, record: Record, codes: IntArray, row_lines: list[int]) -> None:
    bits, wanted = record["bits"], record["crc32"]
    if not isinstance(bits, int) or not isinstance(wanted, str) or not re.fullmatch("0x[0-9A-F]{8}", wanted):
        raise FileError(f"{path}: bits or crc32 has been edited")
    problem = explain_change(codes, bits, int(wanted, 16))
    if problem is not None:
        named = re.match(r"entry (\d+)", problem)
        where = f"line {row_lines[int(named[1])]}: " if named else ""
        raise FileError(f"{path}: {where}{problem}")
