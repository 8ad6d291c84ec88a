"""What the headers say of the layout of light: its macros, its table, and what it was asked to be."""

from __future__ import annotations

import zlib

import numpy as np

from envlab.digital.pixel_layout import LayoutTable

LAYOUT_FILES = ("envlab_layout.h", "envlab_layout.c")
LAYOUT_TABLE = "envlab_layout_table.h"
_PER_ROW = 12

# Macro, field of LayoutTable, ending and unit. What #if compares with a plain number carries no ending.
_WORDS = (
    ("RANKS", "ranks", "", "ranks of pixels that do alike"),
    ("FRACTION", "fraction", "", "bits behind the point of a rank's slope over duty"),
    ("REST", "rest", "u", "duty that every pixel has at least, unsigned Q16.0 of 65535"),
    ("SPAN", "span", "u", "what a pixel has at most beyond that, unsigned Q16.0 of 65535"),
    ("STEP", "step", "u", "pixels that the picture travels in a frame, unsigned Q0.16, 0: it stands"),
)


def layout_macros(table: LayoutTable | None) -> list[tuple[str, str, str]]:
    """Return (macro without ENVLAB_, value, comment) of each line; none where all pixels are alike."""
    if table is None:
        return []
    words = [
        (f"LAYOUT_{macro}", f"{getattr(table, name)}{ending}", comment)
        for macro, name, ending, comment in _WORDS
    ]
    return [
        *words,
        ("LAYOUT_CRC32", f"0x{layout_crc32(table):08X}ul", "CRC-32 (IEEE 802.3) over the layout's table"),
    ]


def layout_crc32(table: LayoutTable) -> int:
    """Return the CRC-32 ([IEEE802.3]) over the layout's table: a word for each number, little-endian."""
    numbers = (*table.rank_of_pixel, *_rises(table))
    return zlib.crc32(np.array(numbers, "<u2").tobytes())


def layout_table_lines(table: LayoutTable) -> list[str]:
    """Return the lines of the two constant arrays of envlab_layout_table.h."""
    return [
        "/* Rank of each place of the picture. */",
        *_array("envlab_layout_rank", "envlab_layout_ranks", "ENVLAB_FRAME_PIXELS", table.rank_of_pixel),
        "",
        "/* Of each rank the duty above which it rises, unsigned Q16.0 of 65535, and how steeply, in duty",
        " * over duty, unsigned; see ENVLAB_LAYOUT_FRACTION. */",
        *_array("uint16_t", "envlab_layout_rises", "2u * ENVLAB_LAYOUT_RANKS", _rises(table)),
    ]


def _rises(table: LayoutTable) -> tuple[int, ...]:
    """Return start and slope of each rank, one behind the other."""
    return tuple(word for rank in zip(table.starts, table.slopes, strict=True) for word in rank)


def _array(kind: str, name: str, length: str, values: tuple[int, ...]) -> list[str]:
    rows = []
    for first in range(0, len(values), _PER_ROW):
        part = ", ".join(f"{value}u" for value in values[first : first + _PER_ROW])
        comma = "," if first + _PER_ROW < len(values) else ""
        rows.append(f"    {part}{comma} /* {first} */")
    return [f"const {kind} {name}[{length}] ENVLAB_ROM = {{", *rows, "};"]
