"""A check sum over generated macros that the compiler's preprocessor works out by itself.

Each group of macros has its own: the sum of value times weight, weights odd, modulo 2^32. An odd weight has
an inverse modulo 2^32, so that no change of one value goes unseen; of two changes at once one in about 2^32
does. [ISO9899] 6.10.1 has the preprocessor count in its widest unsigned type, of at least 64 bits, which is
why the sum is cut to 32 bits before it is compared.
"""

from __future__ import annotations

import re
import zlib
from typing import NamedTuple

MODULUS = 1 << 32


class Macro(NamedTuple):
    """One generated macro: name without the prefix ENVLAB_, value as C writes it, unit and format."""

    name: str
    value: str
    unit: str

    @property
    def number(self) -> int:
        """The value as a number."""
        return int(re.sub(r"u?l?$", "", self.value), 0)


class Group(NamedTuple):
    """Macros that belong together; title, in words, completes "a number of ... was changed by hand"."""

    title: str
    macros: tuple[Macro, ...]


def group_lines(group: Group, file: str) -> list[str]:
    """Return the definitions of a group and the check behind them."""
    return [
        *(f"#define ENVLAB_{name} {value} /* {unit} */" for name, value, unit in group.macros),
        *_check_lines(group, file),
    ]


def check_sum(macros: tuple[Macro, ...]) -> int:
    """Return the sum of value times weight, modulo 2^32."""
    return sum(macro.number * _weight(macro.name) for macro in macros) % MODULUS


def _check_lines(group: Group, file: str) -> list[str]:
    terms = [f"ENVLAB_{macro.name} * 0x{_weight(macro.name):08X}ul" for macro in group.macros]
    return [
        "#if ((0ul \\",
        *(f"    + {term} \\" for term in terms),
        f"    ) & 0xFFFFFFFFul) != 0x{check_sum(group.macros):08X}ul",
        f'#error "{file}: a number of {group.title} was changed by hand: export the design again"',
        "#endif",
        "",
    ]


def _weight(name: str) -> int:
    return zlib.crc32(name.encode("ascii")) | 1
