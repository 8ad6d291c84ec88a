"""CSV, JSON and raw bytes: equal after reading back, and a changed byte is found and named."""

from __future__ import annotations

import csv
import json
import struct

import numpy as np
import pytest

from envlab.errors import FileError, ParameterError
from envlab.firmware.table_files import (
    read_binary,
    read_csv,
    read_json,
    write_binary,
    write_csv,
    write_json,
)
from envlab.firmware.table_record import find_changed_entry, table_crc32

FORMS = {
    "csv": (write_csv, read_csv),
    "json": (write_json, read_json),
    "bin": (write_binary, read_binary),
}


@pytest.fixture(params=list(FORMS))
def form(request, tmp_path):
    return (*FORMS[request.param], tmp_path / f"brightness_table.{request.param}")


def test_reads_back_equal(form, table):
    write, read, path = form
    write(table, path, design_digest="d1")
    checked = read(path)
    assert checked.table == table
    assert checked.design_digest == "d1"


def test_no_changed_byte_goes_unseen(form, some_table):
    write, read, path = form
    write(some_table, path)
    whole = path.read_bytes()
    rng = np.random.default_rng(7)
    for offset in rng.choice(len(whole), 120, replace=False):
        changed = bytearray(whole)
        changed[offset] ^= int(rng.integers(1, 256))
        path.write_bytes(bytes(changed))
        with pytest.raises(FileError, match=path.name):
            read(path)


def test_missing_cut_and_foreign_files_are_refused(form, some_table):
    write, read, path = form
    with pytest.raises(FileError, match="cannot be read"):
        read(path)
    write(some_table, path)
    whole = path.read_bytes()
    for length in (0, 5, 500, len(whole) - 1):
        path.write_bytes(whole[:length])
        with pytest.raises(FileError, match=path.name):
            read(path)
    path.write_bytes(b"entry,duty\n0,1\n")
    with pytest.raises(FileError, match=path.name):
        read(path)


def test_a_digest_of_two_lines_is_refused_and_nothing_written(form, some_table):
    write, _, path = form
    with pytest.raises(ParameterError):
        write(some_table, path, design_digest="a\nb")
    assert list(path.parent.iterdir()) == []


def test_csv_rows_can_be_read_by_any_reader(some_table, tmp_path):
    write_csv(some_table, tmp_path / "t.csv")
    lines = [line for line in (tmp_path / "t.csv").read_text().split("\n") if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    assert [int(row["duty_code"]) for row in rows] == some_table.duty_codes.tolist()
    assert float(rows[512]["envelope_counts"]) == 512.0
    assert float(rows[-1]["duty"]) == pytest.approx(some_table.duty[-1], rel=1e-6)


def test_json_holds_units_and_codes(some_table, tmp_path):
    write_json(some_table, tmp_path / "t.json")
    content = json.loads((tmp_path / "t.json").read_text())
    assert content["duty_codes"] == some_table.duty_codes.tolist()
    assert content["units"]["duty_limit"].startswith("largest duty")


def test_binary_starts_with_the_raw_codes(some_table, tmp_path):
    write_binary(some_table, tmp_path / "t.bin")
    data = (tmp_path / "t.bin").read_bytes()
    assert struct.unpack("<1024H", data[:2048]) == tuple(some_table.duty_codes.tolist())


def test_changed_byte_of_the_codes_is_named(some_table, tmp_path):
    path = tmp_path / "t.bin"
    write_binary(some_table, path)
    data = bytearray(path.read_bytes())
    data[2 * 700 + 1] ^= 0x40
    path.write_bytes(bytes(data))
    code = int(some_table.duty_codes[700])
    with pytest.raises(FileError, match=f"entry 700 reads {code ^ 0x4000}; by the CRC-32 it was {code}"):
        read_binary(path)


def test_two_changed_entries_are_seen_though_not_named(some_table, tmp_path):
    path = tmp_path / "t.bin"
    write_binary(some_table, path)
    data = bytearray(path.read_bytes())
    data[1000] ^= 1
    data[1600] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(FileError, match="more than one entry has changed"):
        read_binary(path)


@pytest.mark.parametrize("width", [1, 2])
def test_every_single_change_is_located(width):
    data = bytes(np.random.default_rng(8).integers(0, 256, 64).tolist())
    wanted = table_crc32(np.frombuffer(data, np.uint8).astype(np.int64), 8)
    for entry in range(64 // width):
        changed = bytearray(data)
        changed[entry * width + width - 1] ^= 0x81
        was = int.from_bytes(data[entry * width : (entry + 1) * width], "little")
        assert find_changed_entry(bytes(changed), wanted, width) == (entry, was)
