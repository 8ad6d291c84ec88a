"""What the firmware costs on real instruction sets: run this file to print the table.

Code is what start and step bring along, constants included; helpers are the compiler's own functions; the
check of the table and the choice of an offset come on top where a program uses them. Cycles are the worst
and the mean over all readings, the call and the return included; the last column is the worst step at 1 kHz.
The 8-bit processor is libsimavr's, the 16-bit one is that of Debian's mspdebug; test_cycle_counts.py holds
both against the makers' tables. A machine whose tools are missing is named and left out.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from firmware import twin_vectors
from firmware.targets import MACHINES, Machine, cost
from firmware.targets.riscv32 import riscv32

CLOCK_HZ = 16_000_000
RATE_HZ = 1000
READINGS = 20_000
DESIGNS = ("parade", "longest", "even in counts")
COMPILED_SMALL = (
    *(MACHINES[name] for name in ("avr-multiplier", "avr-no-multiplier", "cortex-m0", "cortex-m0-gcc-qemu")),
    riscv32("riscv32-small", "-Os"),
    MACHINES["msp430"],
)
COLUMNS = (
    "machine",
    "design",
    "code",
    "helpers",
    "check",
    "offset",
    "table",
    "state",
    "stack",
    "follower + look-up",
    "whole step",
    "% of 16 MHz",
)


def rows() -> Iterator[tuple[str, ...]]:
    """Yield one row of text per machine and design."""
    for machine in COMPILED_SMALL:
        lacking = machine.missing()
        if lacking:
            yield (machine.name, lacking, *[""] * (len(COLUMNS) - 2))
            continue
        for design in DESIGNS:
            with tempfile.TemporaryDirectory() as folder:
                yield _row(machine, design, Path(folder))


def _row(machine: Machine, design: str, folder: Path) -> tuple[str, ...]:
    case = twin_vectors.CASES[design]
    firmware = folder / "firmware"
    firmware.mkdir()
    case.write(firmware)
    readings = twin_vectors.stimulus(case, READINGS)[0]
    metrics = cost.cost_of(machine, firmware, readings, folder)
    sizes = metrics.sizes
    numbers = (sizes.code, sizes.helpers, sizes.choice, sizes.table, sizes.state)
    return (
        machine.name,
        design,
        *map(str, numbers),
        "" if metrics.stack is None else str(metrics.stack),
        *(
            f"{cycles.most} ({cycles.mean:.0f})" if cycles else ""
            for cycles in (metrics.simple, metrics.step)
        ),
        f"{100 * metrics.step.most * RATE_HZ / CLOCK_HZ:.1f}" if metrics.step else "",
    )


def main() -> None:
    """Print the table: sizes in bytes, cycles as worst (mean)."""
    table = Table(*COLUMNS, title="Sizes in bytes, cycles as worst (mean) of one call")
    for row in rows():
        table.add_row(*row)
    Console(width=170).print(table)


if __name__ == "__main__":
    main()
