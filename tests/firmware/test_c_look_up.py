"""The header's own look-up gives, for every count there is, what LookupTable.look_up gives."""

from __future__ import annotations

import numpy as np
import pytest
from reference.c_compilers import PEDANTIC, find_program, run

from envlab.firmware.c_header import write_header
from envlab.light.curve import CountMap
from envlab.light.table import LookupTable, build_octave_table, build_table

COUNTS = np.arange(1 << 16)
PRINTER = """
#include "glow.h"
#include <stdio.h>
int main(void)
{
    unsigned long counts;
    for (counts = 0ul; counts < 65536ul; counts++) {
        printf("%u\\n", (unsigned)glow_at((uint16_t)counts));
    }
    return 0;
}
"""


def every_kind() -> dict[str, LookupTable]:
    """Return each kind of index at 8 to 16 bit of ADC, and at both ends of what a table may be."""
    found = {}
    for adc_bits in range(8, 17):
        count_map = CountMap(1.5, 0.7 * 2**adc_bits)
        if adc_bits <= 12:
            found[f"one per count, {adc_bits} bit"] = build_table(count_map, adc_bits=adc_bits)
        for entries in {257, (1 << min(adc_bits, 12)) + 1}:
            found[f"{entries} by a shift, {adc_bits} bit"] = build_table(
                count_map, adc_bits=adc_bits, entries=entries
            )
        found[f"100 spread, {adc_bits} bit"] = build_table(
            count_map, adc_bits=adc_bits, entries=100, bits=8, base_light=0.02
        )
        found[f"octaves, {adc_bits} bit"] = build_octave_table(count_map, adc_bits=adc_bits)
    found["fine octaves"] = build_octave_table(CountMap(2.0, 60_000.0), adc_bits=16, steps_per_octave=256)
    found["whole octaves"] = build_octave_table(CountMap(2.0, 60_000.0), adc_bits=16, steps_per_octave=1)
    steep = np.array([0, 65_535, 65_535])
    found["steepest"] = LookupTable(steep, 16, 65_535, 1.0, CountMap(1.0, 9.0))
    found["steepest, even full scale"] = LookupTable(steep, 16, 65_534, 1.0, CountMap(1.0, 9.0))
    found["one per count of 16 bit"] = LookupTable(COUNTS, 16, 65_535, 1.0, CountMap(1.0, 9.0))
    found["more entries than counts"] = LookupTable(np.arange(1024), 16, 1022, 1.0, CountMap(1.0, 9.0))
    return found


KINDS = every_kind()


@pytest.mark.parametrize("kind", KINDS)
def test_every_count_gives_the_tables_code(kind, tmp_path, c_compiler):
    table = KINDS[kind]
    write_header(table, tmp_path / "glow.h", identifier="glow")
    (tmp_path / "main.c").write_text(PRINTER)
    strict = (*PEDANTIC, "-Wshadow", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
    run(c_compiler, "-std=c99", "-O1", *strict, "-o", tmp_path / "main", tmp_path / "main.c")
    printed = [int(line) for line in run(tmp_path / "main").split()]
    # Past the last entry the last one, as look_up does it too.
    np.testing.assert_array_equal(printed, table.look_up(COUNTS))


@pytest.mark.parametrize("kind", KINDS)
def test_it_compiles_as_cpp_and_where_int_has_16_bits(kind, tmp_path, cpp_compiler):
    write_header(KINDS[kind], tmp_path / "glow.h", identifier="glow")
    (tmp_path / "use.c").write_text(
        '#include "glow.h"\nuint16_t use(uint16_t);\nuint16_t use(uint16_t c) { return glow_at(c); }\n'
    )
    use, out = tmp_path / "use.c", tmp_path / "use.o"
    run(cpp_compiler, "-x", "c++", "-std=c++11", *PEDANTIC, "-c", use, "-o", out)
    if KINDS[kind].entries <= 4097:
        avr = find_program("avr-gcc")
        run(avr, "-std=c99", "-Os", "-mmcu=atmega328p", *PEDANTIC, "-c", use, "-o", out)
