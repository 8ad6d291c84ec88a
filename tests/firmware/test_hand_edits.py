"""Numbers of the parameter header that somebody changed by hand: the compiler stops and says why."""

from __future__ import annotations

import re
import subprocess
import zlib
from pathlib import Path

import pytest
from firmware.twin_vectors import CASES, parade_design
from reference.c_compilers import find_program

from envlab.digital.fixed_frame import Dither
from envlab.firmware.export import firmware_files
from envlab.firmware.marks import RUNTIME_FOLDER

DEFINED = re.compile(r"#define ENVLAB_(\w+) (0x[0-9A-F]+|\d+)(u?l?) /\*")
FILES = firmware_files(parade_design(dither=Dither(2, 1000.0)), design_digest="edits")
PARAMETERS = FILES["envlab_parameters.h"]
MACROS = [name for name, _, _ in DEFINED.findall(PARAMETERS) if name != "MARK"]


def with_value(text: str, macro: str, value: int) -> str:
    """Return the header with another number behind one macro."""
    changed = re.sub(
        rf"(#define ENVLAB_{macro} )(?:0x[0-9A-F]+|\d+)(u?l?) ", rf"\g<1>{value}\g<2> ", text, count=1
    )
    assert changed != text
    return changed


def value_of(text: str, macro: str) -> int:
    return next(int(value, 0) for name, value, _ in DEFINED.findall(text) if name == macro)


def changed_with_its_check(text: str, macro: str, *, add: int) -> str:
    """Return the header with a number changed and the check sum behind its group made to fit again.

    The sum is worked out here once more, from the weights that stand in the header.
    """
    changed = with_value(text, macro, value_of(text, macro) + add)
    values = {name: int(value, 0) for name, value, _ in DEFINED.findall(changed)}

    def fitting(match: re.Match[str]) -> str:
        terms = re.findall(r"\+ ENVLAB_(\w+) \* 0x([0-9A-F]{8})ul", match[0])
        total = sum(values[name] * int(weight, 16) for name, weight in terms) % 2**32
        return re.sub(r"!= 0x[0-9A-F]{8}ul$", f"!= 0x{total:08X}ul", match[0])

    return re.sub(r"#if \(\(0ul.*?!= 0x[0-9A-F]{8}ul$", fitting, changed, flags=re.DOTALL | re.MULTILINE)


def preprocess(compiler: str, text: str, folder: Path, *flags: str) -> subprocess.CompletedProcess[str]:
    (folder / "envlab_rom.h").write_text((RUNTIME_FOLDER / "envlab_rom.h").read_text("ascii"), "ascii")
    (folder / "envlab_parameters.h").write_text(text, "ascii")
    command = [compiler, *flags, "-E", "-o", "out.i", "envlab_parameters.h"]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


COMPILERS = (
    ("gcc", "-std=c99"),
    ("g++", "-std=c++11"),
    ("avr-gcc", "-mmcu=attiny85"),
    ("arm-none-eabi-gcc",),
)


@pytest.mark.parametrize("compiler", COMPILERS, ids=lambda words: words[0])
def test_as_exported_it_passes(compiler, tmp_path):
    done = preprocess(find_program(compiler[0]), PARAMETERS, tmp_path, *compiler[1:])
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("compiler", COMPILERS, ids=lambda words: words[0])
def test_any_one_changed_number_stops_the_compiler(compiler, tmp_path):
    program = find_program(compiler[0])
    assert {
        "FRAME_LIMIT",
        "FRAME_PIXELS",
        "FRAME_CHANNELS",
        "ADC_RATE_HZ",
        "GATE_OPEN",
        "GOLDEN_CRC32",
    } <= set(MACROS)
    for macro in MACROS:
        value = value_of(PARAMETERS, macro)
        for other in {value + 1, value ^ 0x8000, 0 if value else 7}:
            done = preprocess(program, with_value(PARAMETERS, macro, other), tmp_path, *compiler[1:])
            assert done.returncode != 0, (macro, other)
            assert "was changed by hand: export the design again" in done.stderr


def test_two_numbers_that_change_places_stop_it_too(tmp_path, c_compiler):
    one, two = value_of(PARAMETERS, "WINDOW_LEAST"), value_of(PARAMETERS, "WINDOW_MOST")
    text = with_value(with_value(PARAMETERS, "WINDOW_LEAST", two), "WINDOW_MOST", one)
    assert preprocess(c_compiler, text, tmp_path).returncode != 0


def test_the_message_names_what_was_changed(tmp_path, c_compiler):
    text = with_value(PARAMETERS, "FRAME_LIMIT", value_of(PARAMETERS, "FRAME_LIMIT") * 2)
    said = preprocess(c_compiler, text, tmp_path).stderr
    assert "envlab_parameters.h: a number of the pixels and the current limit was changed by hand" in said
    assert "the rates" not in said


def test_a_sum_worked_out_anew_is_taken_so_that_this_test_can_be_trusted(tmp_path, c_compiler):
    text = changed_with_its_check(PARAMETERS, "FRAME_LIMIT", add=1)
    assert preprocess(c_compiler, text, tmp_path).returncode == 0
    # The last line, which the tool reads back, no longer fits.
    body, _, last = text.rpartition("/* CRC-32 of every byte above this line: ")
    assert last != f"0x{zlib.crc32(body.encode()):08X} */\n"


def test_files_of_two_exports_do_not_compile_together(tmp_path, c_compiler):
    other = firmware_files(parade_design(dither=Dither(2, 1000.0), dim=0.5), design_digest="edits")
    assert other.keys() == FILES.keys()
    for name in FILES:
        for file, text in {**FILES, name: other[name]}.items():
            (tmp_path / file).write_text(text, "ascii")
        told = ""
        for source in tmp_path.glob("*.c"):
            done = subprocess.run(
                [c_compiler, "-std=c99", "-fsyntax-only", source], capture_output=True, text=True, check=False
            )
            told += done.stderr
        assert "is of another export than a file before it" in told, name


def test_another_version_is_another_export(monkeypatch):
    monkeypatch.setattr("envlab.firmware.marks.__version__", "0.0.0")
    again = firmware_files(parade_design(dither=Dither(2, 1000.0)), design_digest="edits")
    assert again["envlab_frame.c"] != FILES["envlab_frame.c"]


@pytest.mark.parametrize("case_name", CASES)
def test_every_case_of_the_twin_passes_its_own_check(case_name, tmp_path, c_compiler):
    done = preprocess(c_compiler, CASES[case_name].files["envlab_parameters.h"], tmp_path)
    assert done.returncode == 0, done.stderr
