"""Just enough of the ELF format to place a 32-bit program in an emulator's memory.

Source: System V gABI, chapters 4 (sections, symbol table) and 5 (program header).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

SHT_SYMTAB = 2
PT_LOAD = 1


@dataclass(frozen=True)
class Program:
    """Loadable segments as (address, bytes with the zeros of .bss), and symbol addresses."""

    segments: tuple[tuple[int, bytes], ...]
    symbols: dict[str, int]


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
    return Program(tuple(segments), _symbols(data, order, sections))


def _symbols(data: bytes, order: str, sections: list[tuple[int, ...]]) -> dict[str, int]:
    symbols = {}
    for section in sections:
        if section[1] != SHT_SYMTAB:
            continue
        names_at = sections[section[6]][4]
        for at in range(section[4], section[4] + section[5], 16):
            name, value = struct.unpack_from(order + "II", data, at)
            end = data.index(b"\0", names_at + name)
            symbols[data[names_at + name : end].decode()] = value
    return symbols
