"""Colour tables for the firmware: the C look-up against its twin at every count, CSV and back, edits seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.c_compilers import PEDANTIC, run

from envlab.board_firmware.colours import colour_tables
from envlab.board_firmware.folder import firmware_folder
from envlab.chain import Chain
from envlab.errors import FileError, ParameterError
from envlab.firmware.colour_files import (
    CSV_COLUMNS,
    colour_csv_bytes,
    colour_header_text,
    read_colour_csv,
)
from envlab.light.colour_tables import ColourTables, build_colour_tables, plain_colour
from envlab.light.costume_colour import CostumeColour
from envlab.light.curve import CountMap
from envlab.light.pixels import Supply, pattern_current_a
from envlab.light.table import build_octave_table, build_table

MAIN = """
#include "rgb.h"
#include <stdio.h>
int main(void)
{
    unsigned long counts;
    for (counts = 0ul; counts <= 65535ul; counts += STEP) {
        CODE code[3];
        rgb_at((uint16_t)counts, code);
        printf("%u %u %u\\n", (unsigned)code[0], (unsigned)code[1], (unsigned)code[2]);
    }
    return 0;
}
"""
# From red to blue: red falls on the way, blue rises.
TURNING = CostumeColour("#0000ff", "#ff0000")


def tables_of(bits: int, adc_bits: int, entries: int | None = None) -> ColourTables:
    ramp = TURNING.ramp
    assert ramp is not None
    counts = 1 << adc_bits
    brightness = build_table(
        CountMap(counts / 50, 1.5 * counts), adc_bits=adc_bits, bits=bits, entries=entries
    )
    return build_colour_tables(ramp, brightness, channel_sum=0.9)


@pytest.mark.parametrize(
    ("bits", "adc_bits", "entries"),
    [(16, 10, None), (8, 10, 65), (16, 12, 257), (12, 14, 4097), (16, 16, 33)],
)
def test_the_look_up_in_c_is_that_of_the_table_at_every_count(bits, adc_bits, entries, c_compiler, tmp_path):
    tables = tables_of(bits, adc_bits, entries)
    (tmp_path / "rgb.h").write_text(colour_header_text(tables, identifier="rgb"))
    (tmp_path / "main.c").write_text(MAIN)
    step, code = 1 if adc_bits < 13 else 7, f"-DCODE=uint{8 if bits <= 8 else 16}_t"
    run(
        c_compiler,
        "-std=c99",
        *PEDANTIC,
        f"-DSTEP={step}ul",
        code,
        "-o",
        tmp_path / "main",
        tmp_path / "main.c",
    )
    found = [[int(one) for one in line.split()] for line in run(tmp_path / "main").splitlines()]
    expected = tables.look_up(np.arange(0, 65536, step))
    assert np.array_equal(found, expected)
    # A channel falls on the way, so that both directions are tried.
    assert np.diff(tables.duty_codes[:, 0]).min() < 0 < np.diff(tables.duty_codes[:, 2]).max()


def test_it_stands_beside_the_brightness_table(c_compiler, tmp_path):
    files = firmware_folder(replace(Chain(), colour=TURNING), "night", None)
    for name in ("night.h", "night_rgb.h"):
        (tmp_path / name).write_bytes(files[name])
    both = '#include "night.h"\n#include "night_rgb.h"\nint main(void) { uint16_t c[3]; night_rgb_at(1u, c);'
    (tmp_path / "main.c").write_text(f"{both} return (int)(night_at(1u) + c[0] + c[1] + c[2]) == 70000; }}\n")
    run(c_compiler, "-std=c99", *PEDANTIC, "-o", tmp_path / "main", tmp_path / "main.c")
    assert "night_rgb.csv" in files


def test_a_board_without_a_colour_has_none():
    assert colour_tables(Chain()) is None
    assert not [name for name in firmware_folder(Chain(), "night", None) if "rgb" in name]


def test_no_colour_passes_what_is_planned_with():
    supply = Supply(3.0, margin=0.1, controller_a=0.03)
    chain = replace(Chain(), colour=CostumeColour("#ff0000"), supply=supply)
    tables = colour_tables(chain)
    assert tables is not None
    duty = np.repeat(tables.duty[:, np.newaxis], 24, axis=1)
    most_a = float(pattern_current_a(duty, chain.pixels).max()) + 0.03
    assert most_a <= 2.7
    assert most_a == pytest.approx(2.7, abs=1e-3)
    full = colour_tables(replace(chain, current_limit="frame"))
    assert full is not None
    assert full.duty[-1].tolist() == [1.0, 0.0, 0.0]


def test_csv_and_back(tmp_path):
    tables = tables_of(16, 10)
    (tmp_path / "rgb.csv").write_bytes(colour_csv_bytes(tables, design_digest="abc", export_mark=7))
    assert np.array_equal(read_colour_csv(tmp_path / "rgb.csv"), tables.duty_codes)
    text = (tmp_path / "rgb.csv").read_text()
    assert ",".join(CSV_COLUMNS) in text
    assert "# design_digest = abc" in text
    assert "# dim_on_a_screen = #ff0000" in text


@pytest.mark.parametrize("seed", range(12))
def test_no_edit_of_the_csv_goes_unseen(tmp_path, seed):
    data = bytearray(colour_csv_bytes(tables_of(8, 8, 33)))
    rng = np.random.default_rng(seed)
    place = int(rng.integers(0, len(data) - 12))
    data[place] = data[place] ^ 1
    (tmp_path / "rgb.csv").write_bytes(data)
    with pytest.raises(FileError, match=r"rgb\.csv"):
        read_colour_csv(tmp_path / "rgb.csv")


def test_the_header_says_what_it_is_of():
    text = colour_header_text(tables_of(16, 10), identifier="rgb", design_digest="abc", export_mark=9)
    assert " *   design_digest = abc" in text
    assert "of another export" in text
    assert "static const uint16_t rgb[RGB_ENTRIES][3] ENVLAB_ROM = {" in text


def test_an_index_that_the_look_up_does_not_know_is_refused():
    octave = build_octave_table(CountMap(10.0, 800.0), adc_bits=10)
    tables = build_colour_tables(plain_colour((1.0, 0.5, 0.0)), octave)
    with pytest.raises(ParameterError, match="index is 'octave'; it must be 'even' for colour tables"):
        colour_header_text(tables)
    with pytest.raises(ParameterError, match="identifier is 'int'"):
        colour_header_text(tables_of(16, 10), identifier="int")
