"""What a compiled loop over vectors asks of the processor at least, counted in its assembly.

A step's arithmetic on vectors is so many instructions; a processor with two units for them, each of which can
do all kinds, needs half as many cycles, however well the rest goes. What it really takes is measured; this
says how far a ratio could go on such a processor, and on which width of registers it was taken.

Counted for x86 alone; of others it is said that they were not.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import asdict, dataclass
from typing import Any

import numba

UNITS = 2
_ARITHMETIC = re.compile(r"v(f(n?m)(add|sub)\d{3}|mul|add|sub|max|min)pd")
_WIDTHS = {"zmm": 512, "ymm": 256, "xmm": 128}
_DOUBLE_BITS = 64


@dataclass(frozen=True)
class Loop:
    """One step of a loop.

    arithmetic: instructions on vectors of doubles, by name without their v and pd. bits: of a register.
    lanes: detectors that a step takes on.
    """

    arithmetic: dict[str, int]
    bits: int
    lanes: int

    @property
    def least_cycles(self) -> float:
        """Cycles a step with UNITS units."""
        return sum(self.arithmetic.values()) / UNITS

    def __str__(self) -> str:
        named = ", ".join(f"{count} {name}" for name, count in sorted(self.arithmetic.items()))
        return (
            f"{named} of {self.bits} bits for {self.lanes} detectors a step: with {UNITS} units at least "
            f"{self.least_cycles:g} cycles, {self.least_cycles / self.lanes:.3f} a detector"
        )

    @property
    def told(self) -> dict[str, Any]:
        """The same for a record."""
        return asdict(self) | {"least_cycles": self.least_cycles}


def loop_of(function: Any, *, each: str) -> Loop | None:
    """Return the step in which a compiled function's innermost loop does most arithmetic.

    function: has been called. each: instruction of which a step has one a register, such as "max". None where
    the assembly is not x86's.
    """
    options = {name: value for name, value in function.targetoptions.items() if name != "nopython"}
    # What was found on the disk has no assembly any more.
    compiled, signature = numba.njit(**options)(function.py_func), function.signatures[0]
    compiled.compile(signature)
    return step_of(compiled.inspect_asm(signature), each=each)


def step_of(assembly: str, *, each: str) -> Loop | None:
    """As loop_of, from the assembly in AT&T's way of writing."""
    found = max(_innermost(assembly), key=lambda lines: _count(lines)[each], default=None)
    if found is None or not _count(found)[each]:
        return None
    arithmetic = _count(found)
    bits = max(_WIDTHS[name] for name in re.findall("|".join(_WIDTHS), " ".join(_vectors(found))))
    # A compiler may put several steps behind one another; each has one drive for all of its lanes.
    steps = max(1, sum("vbroadcastsd" in line or "vmovddup" in line or "{1to" in line for line in found))
    registers = arithmetic[each]
    if registers % steps:
        steps = 1
    each_step = {name: count // steps for name, count in arithmetic.items()}
    return Loop(each_step, bits, registers // steps * bits // _DOUBLE_BITS)


def _innermost(assembly: str) -> list[list[str]]:
    """Lines of the loops within which nothing jumps back but their end."""
    lines = [line.strip() for line in assembly.splitlines()]
    labels = {line[:-1]: at for at, line in enumerate(lines) if line.endswith(":")}
    loops = []
    for at, line in enumerate(lines):
        jump = re.match(r"j\w+\s+(\S+)$", line)
        start = labels.get(jump[1], at) if jump else at
        if start < at:
            loops.append((start, at))
    return [
        lines[start:end]
        for start, end in loops
        if not any(start <= other and stop < end for other, stop in loops)
    ]


def _vectors(lines: list[str]) -> list[str]:
    return [line for line in lines if _ARITHMETIC.match(line)]


def _count(lines: list[str]) -> Counter[str]:
    """Arithmetic by name; all fused ones are one."""
    found: Counter[str] = Counter()
    for line in _vectors(lines):
        match = _ARITHMETIC.match(line)
        assert match is not None
        found["fused" if match[2] else match[1]] += 1
    return found
