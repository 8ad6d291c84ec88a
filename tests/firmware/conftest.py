"""Tables and compilers that the firmware tests share."""

from __future__ import annotations

import pytest
from reference.c_compilers import find_program

from envlab.light.curve import CountMap
from envlab.light.table import build_octave_table, build_table

COUNT_MAP = CountMap(4.0, 700.0)
TABLES = {
    "one per count, 16 bit": build_table(
        COUNT_MAP, adc_bits=10, bits=16, duty_limit=0.2782, notes=("24 pixels",)
    ),
    "interpolated, 16 bit": build_table(COUNT_MAP, adc_bits=10, entries=257, bits=16),
    "one per count, 8 bit": build_table(CountMap(4.0, 700.0, "power", 2.2), adc_bits=10, bits=8),
    "octaves, 12 bit": build_octave_table(CountMap(3.3, 650.0, "decibel"), adc_bits=10, bits=12),
    "odd spread": build_table(COUNT_MAP, adc_bits=12, entries=100, bits=10, base_light=0.02),
    "hostile text": build_table(
        COUNT_MAP, adc_bits=10, entries=16, bits=16, name='*/ x = 1; /* "q" \\ ü ??/', notes=("a\nb", "//")
    ),
}


@pytest.fixture(scope="session")
def c_compiler() -> str:
    return find_program("gcc", "cc", "clang")


@pytest.fixture(scope="session")
def cpp_compiler() -> str:
    return find_program("g++", "c++", "clang++")


@pytest.fixture(params=list(TABLES), ids=list(TABLES))
def table(request):
    return TABLES[request.param]


@pytest.fixture
def some_table():
    return TABLES["one per count, 16 bit"]
