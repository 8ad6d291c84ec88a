"""A board's colour tables for the firmware: a C99 header with its look-up, and CSV; both notice an edit.

One row an entry, red, green, blue, on the index of the brightness table beside it: counts of envelope above
quiescent in, three duty codes out. A channel may fall while the brightness rises, where the colour changes on
the way; so the look-up goes both ways between two entries, rounded half up as everywhere.
"""

from __future__ import annotations

import csv
import io
import re
import zlib
from pathlib import Path

import numpy as np

from envlab import __version__
from envlab.errors import FileError, ParameterError
from envlab.files.whole import read_whole
from envlab.firmware.c_names import check_identifier
from envlab.firmware.edits import ascii_lines
from envlab.firmware.marks import RUNTIME_FOLDER, mark_lines
from envlab.light.colour import preview_on_screen
from envlab.light.colour_tables import ColourTables
from envlab.units import IntArray

CHANNELS = ("red", "green", "blue")
CSV_COLUMNS = ("entry", "envelope_counts", *(f"{name}_code" for name in CHANNELS))
_CHECK = "CRC-32 of every byte above this line: 0x"


def colour_header_text(
    tables: ColourTables,
    *,
    identifier: str = "brightness_table_rgb",
    design_digest: str = "",
    export_mark: int = 0,
) -> str:
    """Return the header: an array of three codes an entry, and ``identifier_at(counts, code)``.

    identifier: name of the array and, in capitals, beginning of every macro. design_digest: what stands for
    the design. export_mark: number that the files of one export share, 0 for a header by itself. Raises
    ParameterError for a name that C cannot have, or tables whose index is not even.
    """
    check_identifier("identifier", identifier)
    brightness, prefix = tables.brightness, identifier.upper()
    if brightness.index != "even":
        raise ParameterError("index", brightness.index, "'even' for colour tables")
    width = 8 if brightness.bits <= 8 else 16
    ties = mark_lines(f"{identifier}.h", export_mark) if export_mark else []
    lines = [
        "/* Duty of red, green, blue by envelope. Made by envlab; do not edit: every byte is checked.",
        " *",
        *(f" *   {key} = {value}" for key, value in _facts(tables, design_digest, export_mark).items()),
        " *",
        f" * Row i of {identifier} has the duty codes of red, green, blue: unsigned Q{brightness.bits}.0.",
        f" * Index: position = counts * {brightness.entries - 1} / {brightness.full_scale_counts};"
        " i is its whole part.",
        " * Between rows each channel goes straight, up or down, rounded half up.",
        " */",
        f"#ifndef {prefix}_H",
        f"#define {prefix}_H",
        "",
        "#include <stdint.h>",
        "",
        *(RUNTIME_FOLDER / "envlab_rom.h").read_text("ascii").rstrip("\n").split("\n"),
        "",
        *ties,
        f"#define {prefix}_ENTRIES {brightness.entries}u /* rows */",
        f"#define {prefix}_BITS {brightness.bits}u /* bit, depth of a code */",
        f"#define {prefix}_FULL_SCALE {brightness.full_scale_counts}ul /* counts, of the last row */",
        "",
        f"static const uint{width}_t {identifier}[{prefix}_ENTRIES][3] ENVLAB_ROM = {{",
        *_rows(tables.duty_codes),
        "};",
        "",
        *_look_up_lines(tables, identifier, prefix, width),
        "",
        "#endif",
    ]
    text = "\n".join(lines) + "\n"
    return f"{text}/* {_CHECK}{zlib.crc32(text.encode('ascii')):08X} */\n"


def colour_csv_bytes(tables: ColourTables, *, design_digest: str = "", export_mark: int = 0) -> bytes:
    """Return the tables as CSV: lines "# key = value", a row for each entry, and a check sum behind them.

    Columns: entry; envelope_counts above quiescent; red_code, green_code, blue_code.
    """
    out = io.StringIO()
    for key, value in _facts(tables, design_digest, export_mark).items():
        out.write(f"# {key} = {value}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for entry, (counts, codes) in enumerate(zip(tables.brightness.counts, tables.duty_codes, strict=True)):
        writer.writerow((entry, f"{counts:.9g}", *(int(code) for code in codes)))
    text = out.getvalue()
    return f"{text}# {_CHECK}{zlib.crc32(text.encode('ascii')):08X}\n".encode("ascii")


def read_colour_csv(path: str | Path) -> IntArray:
    """Return the codes (entries, 3) of what colour_csv_bytes made; FileError where a byte has changed."""
    text = read_whole(path).decode("ascii", errors="replace")
    above, _, sum_line = text.rstrip("\n").rpartition("\n")
    found = re.fullmatch(rf"# {re.escape(_CHECK)}([0-9A-F]{{8}})", sum_line)
    if found is None:
        raise FileError(f"{path}: no colour table of envlab: its last line is no check sum")
    if zlib.crc32(f"{above}\n".encode("ascii", errors="replace")) != int(found[1], 16):
        raise FileError(f"{path}: has been edited: its bytes do not fit their check sum")
    rows = csv.DictReader(line for line in ascii_lines(path) if not line.startswith("#"))
    return np.array([[int(row[name]) for name in CSV_COLUMNS[2:]] for row in rows], dtype=np.int64)


def _facts(tables: ColourTables, design_digest: str, export_mark: int) -> dict[str, str]:
    brightness, ramp = tables.brightness, tables.ramp
    return {
        "envlab_version": __version__,
        "design_digest": design_digest or "none",
        "export_mark": str(export_mark),
        "entries": str(brightness.entries),
        "bits": str(brightness.bits),
        "full_scale_counts": str(brightness.full_scale_counts),
        "dim_on_a_screen": preview_on_screen(_full(ramp.low), tables.primaries),
        "full_on_a_screen": preview_on_screen(_full(ramp.high), tables.primaries),
        "largest_sum_of_three": str(int(tables.duty_codes.sum(axis=1).max())),
    }


def _full(light: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(value / max(light) for value in light)


def _rows(codes: IntArray) -> list[str]:
    last = len(codes) - 1
    return [
        f"    {{{', '.join(f'{int(code)}u' for code in row)}}}{',' * (n < last)} /* {n} */"
        for n, row in enumerate(codes)
    ]


def _look_up_lines(tables: ColourTables, identifier: str, prefix: str, width: int) -> list[str]:
    steps, full = tables.brightness.entries - 1, tables.brightness.full_scale_counts
    at = f"&{identifier}[place"
    return [
        "/* Writes the codes of red, green, blue at these counts of envelope, also past the last row. */",
        f"static inline void {identifier}_at(uint16_t counts, uint{width}_t code[3])",
        "{",
        f"    const uint32_t most = {prefix}_FULL_SCALE;",
        f"    const uint32_t position = ((counts < most) ? counts : most) * {steps}ul;",
        f"    uint16_t place = (uint16_t)(position / {full}ul);",
        f"    uint32_t fraction = position % {full}ul;",
        "    uint32_t low, high;",
        "    uint8_t channel;",
        "",
        f"    if (place >= {prefix}_ENTRIES - 1u) {{",
        f"        place = (uint16_t)({prefix}_ENTRIES - 2u);",
        f"        fraction = {full}ul;",
        "    }",
        "    for (channel = 0u; channel < 3u; channel++) {",
        f"        low = ENVLAB_ROM_U{width}({at}][channel]);",
        f"        high = ENVLAB_ROM_U{width}({at} + 1u][channel]);",
        "        if (high >= low) {",
        f"            low = (uint32_t)(low + ((high - low) * fraction + {full >> 1}ul) / {full}ul);",
        "        } else {",
        f"            low = (uint32_t)(low - ((low - high) * fraction + {(full - 1) >> 1}ul) / {full}ul);",
        "        }",
        f"        code[channel] = (uint{width}_t)low;",
        "    }",
        "}",
    ]
