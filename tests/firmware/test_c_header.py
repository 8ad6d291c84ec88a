"""The header compiles as it stands, says what it holds, reads back equal, and no edit goes unseen."""

from __future__ import annotations

import binascii
import re

import numpy as np
import pytest
from reference.c_compilers import PEDANTIC, find_program, run

from envlab import __version__
from envlab.errors import FileError, ParameterError
from envlab.firmware.c_header import read_checked_header, read_header, write_header
from envlab.firmware.table_record import UNITS
from envlab.light.curve import CountMap
from envlab.light.table import LookupTable

DIGEST = "sha256:0f1e2d3c"
PRINTER = """
#include "brightness_table.h"
#include <stdio.h>
int main(void)
{
    unsigned i;
    printf("%lx %lu\\n", (unsigned long)BRIGHTNESS_TABLE_CRC32, (unsigned long)BRIGHTNESS_TABLE_FULL_SCALE);
    for (i = 0u; i < BRIGHTNESS_TABLE_ENTRIES; i++) {
        printf("%u\\n", (unsigned)READ(&brightness_table[i]));
    }
    return 0;
}
"""


@pytest.fixture
def header(table, tmp_path):
    path = tmp_path / "brightness_table.h"
    write_header(table, path, design_digest=DIGEST)
    return path


def compile_and_print(compiler, flags, table, folder):
    suffix = "cpp" if "++" in compiler else "c"
    (folder / f"main.{suffix}").write_text(PRINTER)
    reader = f"-DREAD=ENVLAB_ROM_U{8 if table.bits <= 8 else 16}"
    run(compiler, *flags, *PEDANTIC, reader, "-o", folder / "main", folder / f"main.{suffix}")
    first, *rest = run(folder / "main").split("\n")
    return first.split(), [int(text) for text in rest if text]


@pytest.mark.usefixtures("header")
def test_compiles_as_c99_and_holds_the_codes(table, c_compiler, tmp_path):
    (crc, full_scale), codes = compile_and_print(c_compiler, ["-std=c99"], table, tmp_path)
    np.testing.assert_array_equal(codes, table.duty_codes)
    assert int(full_scale) == table.full_scale_counts
    # binascii is a second implementation of the CRC-32 of IEEE 802.3, over bytes put together here by hand.
    width = 1 if table.bits <= 8 else 2
    assert int(crc, 16) == binascii.crc32(b"".join(code.to_bytes(width, "little") for code in codes))


@pytest.mark.usefixtures("header")
def test_compiles_as_cpp_and_holds_the_codes(table, cpp_compiler, tmp_path):
    _, codes = compile_and_print(cpp_compiler, ["-std=c++11"], table, tmp_path)
    np.testing.assert_array_equal(codes, table.duty_codes)


def test_reads_back_equal(header, table):
    checked = read_checked_header(header)
    assert checked.table == table
    assert checked.design_digest == DIGEST
    assert checked.envlab_version == __version__
    assert read_header(header) == table


def test_writing_twice_gives_the_same_bytes(header, table, tmp_path):
    write_header(table, tmp_path / "again.h", design_digest=DIGEST)
    assert (tmp_path / "again.h").read_bytes() == header.read_bytes()


def test_every_value_has_a_unit(header):
    text = header.read_text("ascii")
    for key, unit in UNITS.items():
        assert re.search(rf" \*   {key} = .* \| {re.escape(unit)}\n", text), key
    for line in text.split("\n"):
        if line.startswith("#define BRIGHTNESS_TABLE_") and line != "#define BRIGHTNESS_TABLE_H":
            assert re.search(r" /\* .+ \*/$", line), line


@pytest.mark.usefixtures("header")
def test_compiles_where_program_memory_is_apart(table, tmp_path):
    width = 8 if table.bits <= 8 else 16
    (tmp_path / "use.c").write_text(
        '#include "brightness_table.h"\nuint16_t at(uint16_t i);\n'
        f"uint16_t at(uint16_t i) {{ return ENVLAB_ROM_U{width}(&brightness_table[i]); }}\n"
    )
    compiler = find_program("avr-gcc")
    run(
        compiler,
        "-std=c99",
        "-Os",
        "-mmcu=atmega328p",
        *PEDANTIC,
        "-c",
        "-o",
        tmp_path / "use.o",
        tmp_path / "use.c",
    )


@pytest.mark.usefixtures("header")
def test_includes_twice_without_harm(c_compiler, tmp_path):
    (tmp_path / "twice.c").write_text('#include "brightness_table.h"\n#include "brightness_table.h"\n')
    run(c_compiler, "-std=c99", *PEDANTIC, "-c", "-o", tmp_path / "twice.o", tmp_path / "twice.c")


def test_another_name_is_used_throughout(some_table, c_compiler, tmp_path):
    path = tmp_path / "glow.h"
    write_header(some_table, path, identifier="yoke_glow")
    text = path.read_text("ascii")
    assert "YOKE_GLOW_ENTRIES" in text
    assert "brightness_table" not in text.lower()
    assert read_header(path) == some_table
    (tmp_path / "use.c").write_text('#include "glow.h"\nint main(void){return (int)yoke_glow[0];}\n')
    run(c_compiler, "-std=c99", *PEDANTIC, "-o", tmp_path / "use", tmp_path / "use.c")


@pytest.mark.parametrize(
    "identifier",
    ["", "9lights", "yoke-glow", "glow table", "größe", "_glow", "glow__x", "int", "volatile", "constexpr",
     "class", "co_await", "uint16_t", "main", "a" * 32, None, 3],
)  # fmt: skip
def test_names_that_c_cannot_have_are_refused_and_nothing_is_written(some_table, tmp_path, identifier):
    with pytest.raises(ParameterError) as caught:
        write_header(some_table, tmp_path / "table.h", identifier=identifier)
    assert caught.value.name == "identifier"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("digest", ["a\nb", "ü", 3])
def test_a_digest_that_would_break_the_comment_is_refused(some_table, tmp_path, digest):
    with pytest.raises(ParameterError, match="design_digest"):
        write_header(some_table, tmp_path / "table.h", design_digest=digest)
    assert list(tmp_path.iterdir()) == []


def test_a_changed_code_is_named_with_its_line(some_table, tmp_path):
    path = tmp_path / "table.h"
    write_header(some_table, path)
    lines = path.read_text("ascii").split("\n")
    number = next(n for n, line in enumerate(lines) if "/* 600 */" in line)
    code = int(some_table.duty_codes[603])
    lines[number] = lines[number].replace(f"{code}u", f"{code ^ 0x0155}u", 1)
    path.write_text("\n".join(lines))
    with pytest.raises(FileError) as caught:
        read_header(path)
    message = str(caught.value)
    assert f"line {number + 1}: entry 603 reads {code ^ 0x0155}; by the CRC-32 it was {code}" in message
    assert str(path) in message


def edited(path, old, new):
    text = path.read_text("ascii")
    assert text.count(old) == 1, text.count(old)
    path.write_text(text.replace(old, new))


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("floor_counts = 4.0", "floor_counts = 5.0", "a value further up has been edited"),
        ("duty_limit = 0.2782", "duty_limit = 0.5", "a value further up has been edited"),
        ("duty_limit = 0.2782", "duty_limit = 0.1", "duty_codes"),
        ('["24 pixels"]', '["25 pixels"]', "a value further up has been edited"),
        ("full_scale_counts = 1023 ", "full_scale_counts = 1022 ", "1022"),
        ("entries = 1024 ", "entries = 1023 ", "entries"),
        ("envlab_version = ", "envlab_versionn = ", "envlab_versionn"),
        ("TABLE_FULL_SCALE 1023u", "TABLE_FULL_SCALE 1024u", "TABLE_FULL_SCALE 1023u"),
        ("TABLE_H\n#define", "TABLE_H\n\n#define", "line"),
        ("{\n    0u, 0u", "{\n    0u, 0x0", "line"),
        ("};\n", "}\n", "has been edited: }"),
        ("format = 1 ", "format = 2 ", "format"),
        ("#endif\n/* CRC", "#endif\n\n/* CRC", "line"),
    ],
)
def test_an_edit_anywhere_is_named(some_table, tmp_path, old, new, named):
    path = tmp_path / "table.h"
    write_header(some_table, path)
    edited(path, old, new)
    with pytest.raises(FileError) as caught:
        read_header(path)
    assert named in str(caught.value)
    assert str(path) in str(caught.value)


def test_no_changed_byte_goes_unseen(tmp_path):
    table = LookupTable(np.arange(0, 640, 40), 10, 15, 1.0, CountMap(1.0, 15.0))
    path = tmp_path / "table.h"
    write_header(table, path)
    whole = path.read_bytes()
    rng = np.random.default_rng(4)
    for offset in rng.choice(len(whole), 400, replace=False):
        changed = bytearray(whole)
        changed[offset] ^= int(rng.integers(1, 256))
        path.write_bytes(bytes(changed))
        with pytest.raises(FileError):
            read_header(path)


def test_truncated_missing_and_foreign_files_are_refused(some_table, tmp_path):
    path = tmp_path / "table.h"
    with pytest.raises(FileError, match="cannot be read"):
        read_header(path)
    write_header(some_table, path)
    whole = path.read_bytes()
    path.write_bytes(whole[:3000])
    with pytest.raises(FileError, match=r"line \d+ has been edited"):
        read_header(path)
    path.write_bytes(whole[: whole.rindex(b"\n", 0, 3000) + 1])
    with pytest.raises(FileError, match=r"edited|ends within the array"):
        read_header(path)
    path.write_bytes(whole[:-1])
    with pytest.raises(FileError, match="lines"):
        read_header(path)
    path.write_bytes(b"#define X 1\n")
    with pytest.raises(FileError, match="no brightness table"):
        read_header(path)


def test_a_folder_that_is_not_there_leaves_nothing(some_table, tmp_path):
    with pytest.raises(FileError, match="cannot be written"):
        write_header(some_table, tmp_path / "missing" / "table.h")
    assert list(tmp_path.iterdir()) == []


def test_a_failed_write_leaves_the_old_file(some_table, tmp_path, monkeypatch):
    path = tmp_path / "table.h"
    path.write_text("old")

    def fail(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(FileError, match="No space left"):
        write_header(some_table, path)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["table.h"]


def test_an_old_file_is_replaced_in_one_step_not_written_over(some_table, tmp_path):
    path = tmp_path / "table.h"
    path.write_text("old")
    (tmp_path / "link").hardlink_to(path)
    write_header(some_table, path)
    assert (tmp_path / "link").read_text() == "old"
    assert read_header(path) == some_table
