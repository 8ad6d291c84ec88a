"""Just enough of the ELF format to place a 32-bit program in an emulator's memory.

Source: System V gABI, chapters 4 (sections, symbol table) and 5 (program header).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SHT_SYMTAB = 2
SHN_UNDEF, SHN_ABS = 0, 0xFFF1
STT_OBJECT, STT_FUNC = 1, 2
PT_LOAD = 1


@dataclass(frozen=True)
class Program:
    """Loadable segments as (address, bytes with the zeros of .bss), symbol addresses and sizes, and the
    names of the functions and of the data that are defined here."""

    segments: tuple[tuple[int, bytes], ...]
    symbols: dict[str, int]
    sizes: dict[str, int]
    functions: frozenset[str]
    data: frozenset[str]


def read_elf32(path: Path) -> Program:
    """Read the segments and symbols of a linked 32-bit program of either byte order."""
    data = path.read_bytes()
    if data[:5] != b"\x7fELF\x01":
        raise ValueError(f"{path.name} is not a 32-bit ELF file")
    order = "<" if data[5] == 1 else ">"
    ph_at, sh_at = struct.unpack_from(order + "II", data, 28)
    ph_size, ph_count, sh_size, sh_count = struct.unpack_from(order + "HHHH", data, 42)
    segments = []
    for i in range(ph_count):
        kind, offset, address, _, file_size, memory_size = struct.unpack_from(
            order + "IIIIII", data, ph_at + i * ph_size
        )
        if kind == PT_LOAD and memory_size:
            segments.append((address, data[offset : offset + file_size].ljust(memory_size, b"\0")))
    sections = [struct.unpack_from(order + "10I", data, sh_at + i * sh_size) for i in range(sh_count)]
    tables = [section for section in sections if section[1] == SHT_SYMTAB]
    rows = [row for table in tables for row in _rows(data, order, table, sections)]
    return Program(
        segments=tuple(segments),
        symbols={name: address for name, address, _, _ in rows},
        sizes={name: size for name, _, size, _ in rows},
        functions=frozenset(name for name, _, _, kind in rows if kind == STT_FUNC),
        data=frozenset(name for name, _, _, kind in rows if kind == STT_OBJECT),
    )


def _rows(
    data: bytes, order: str, table: tuple[int, ...], sections: list[tuple[int, ...]]
) -> Iterator[tuple[str, int, int, int]]:
    """Yield name, address, size and type of every symbol of one table that has a place here."""
    names_at = sections[table[6]][4]
    for at in range(table[4], table[4] + table[5], 16):
        name, address, size, info, _, section = struct.unpack_from(order + "IIIBBH", data, at)
        if section not in (SHN_UNDEF, SHN_ABS):
            yield _text(data, names_at + name), address, size, info & 15


def _text(data: bytes, at: int) -> str:
    return data[at : data.index(b"\0", at)].decode()
