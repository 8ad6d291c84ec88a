"""The firmware folder: written whole, compiles as it stands, says what was asked, and no edit goes unseen."""

from __future__ import annotations

import re

import numpy as np
import pytest
from firmware.twin_vectors import parade_design
from reference.c_compilers import PEDANTIC, run

from envlab import __version__
from envlab.digital.auto_level import OffsetSteps
from envlab.digital.fixed_frame import Dither
from envlab.errors import FileError, ParameterError
from envlab.firmware.export import check_firmware, write_firmware
from envlab.firmware.headers.parameters import HeaderFacts, parameters_text, table_text

DIGEST = "sha256:00112233"


@pytest.fixture
def folder(tmp_path):
    write_firmware(parade_design(dither=Dither(1, 500.0)), tmp_path / "firmware", design_digest=DIGEST)
    return tmp_path / "firmware"


def test_folder_is_whole_and_checks(folder):
    assert sorted(path.name for path in folder.iterdir()) == [
        "envlab_boot.c", "envlab_boot.h", "envlab_dither.c", "envlab_dither.h", "envlab_frame.c",
        "envlab_frame.h", "envlab_guard.c", "envlab_guard.h", "envlab_log.c", "envlab_log.h",
        "envlab_parameters.h", "envlab_products.h", "envlab_rom.h", "envlab_runtime.c",
        "envlab_runtime.h", "envlab_table.h",
    ]  # fmt: skip
    check_firmware(folder)


@pytest.mark.parametrize("standard", ["-std=c99", "-std=c11"])
def test_every_file_compiles_with_every_warning(folder, c_compiler, standard):
    for source in folder.glob("*.c"):
        run(
            c_compiler, standard, "-Os", *PEDANTIC, "-Wshadow", "-Wcast-qual", "-c", source, "-o", "/dev/null"
        )


def test_headers_serve_cpp(folder, cpp_compiler, tmp_path):
    (tmp_path / "use.cpp").write_text(
        '#include "envlab_runtime.h"\n#include "envlab_frame.h"\n#include "envlab_dither.h"\n'
        "int main() { envlab_state s; envlab_start(&s); envlab_frame f; envlab_frame_open(&f);"
        " return envlab_frame_code(&f, envlab_step(&s, 0), envlab_dither_threshold(0, 0)); }\n"
    )
    for source in folder.glob("*.c"):
        run("gcc", "-std=c99", "-c", source, "-o", folder / f"{source.stem}.o")
    run(
        cpp_compiler,
        *PEDANTIC,
        "-I",
        folder,
        tmp_path / "use.cpp",
        *folder.glob("*.o"),
        "-o",
        tmp_path / "use",
    )
    run(tmp_path / "use")


def test_headers_say_version_digest_rates_and_what_was_achieved(folder):
    parameters = (folder / "envlab_parameters.h").read_text("ascii")
    table = (folder / "envlab_table.h").read_text("ascii")
    for text in (parameters, table):
        assert f"envlab {__version__}" in text
        assert DIGEST in text
        assert re.search(r"attack: asked 0.005 s, achieved 0.00[45]\d* s \([+-]0\.\d+ %\)", text)
        assert "full light: asked 700, achieved 700 counts" in text
        assert "window rises: asked 6, achieved 5.987 dB/s" in text
        assert "window goes down: asked 20 dB, achieved 7.78 dB" in text
        assert "quiescent level: learnt within 10 LSB of the design, rises at most 1 LSB a minute" in text
        assert "start: dark for 2.16 s, faded in within 1.0" in text
        assert "repeats at 250 Hz" in text
    assert "#define ENVLAB_ADC_RATE_HZ 1000ul" in parameters
    assert "#define ENVLAB_ADC_SHIFT 6u" in parameters
    for line in parameters.split("\n"):
        if line.startswith("#define ENVLAB_") and line != "#define ENVLAB_PARAMETERS_H":
            assert re.search(r" /\* .+ \*/$", line), line


def test_offset_steps_are_stated(tmp_path):
    write_firmware(parade_design(level=OffsetSteps(7, 3.0, 9.0)), tmp_path)
    assert "offset steps: asked 7 of 3 dB, achieved 6 of 3 dB" in (
        tmp_path / "envlab_parameters.h"
    ).read_text("ascii")
    assert not (tmp_path / "envlab_dither.h").exists()
    check_firmware(tmp_path)


def test_the_same_design_gives_the_same_bytes(folder, tmp_path):
    again = tmp_path / "again"
    write_firmware(parade_design(dither=Dither(1, 500.0)), again, design_digest=DIGEST)
    for path in folder.iterdir():
        assert path.read_bytes() == (again / path.name).read_bytes()


def test_no_changed_byte_goes_unseen(folder):
    rng = np.random.default_rng(3)
    for path in sorted(folder.iterdir()):
        whole = path.read_bytes()
        for offset in rng.choice(len(whole), 40, replace=False):
            changed = bytearray(whole)
            changed[offset] ^= int(rng.integers(1, 256))
            path.write_bytes(bytes(changed))
            with pytest.raises(FileError, match=path.name):
                check_firmware(folder)
        path.write_bytes(whole)
    check_firmware(folder)


def test_a_changed_code_is_named(folder):
    path = folder / "envlab_table.h"
    text = path.read_text("ascii")
    row = next(line for line in text.split("\n") if line.endswith("/* 36 */"))
    codes = re.findall(r"(\d+)u", row)
    path.write_text(text.replace(f" {codes[4]}u", f" {int(codes[4]) + 5}u", 1), "ascii")
    with pytest.raises(
        FileError, match=f"entry 40 reads {int(codes[4]) + 5}; by the CRC-32 it was {codes[4]}"
    ):
        check_firmware(folder)


def test_headers_of_two_designs_are_noticed(folder, tmp_path):
    write_firmware(parade_design(), tmp_path / "other", design_digest="other")
    other = (tmp_path / "other" / "envlab_table.h").read_bytes()
    (folder / "envlab_table.h").write_bytes(other)
    with pytest.raises(FileError, match="different designs"):
        check_firmware(folder)


def test_a_missing_file_is_named(folder):
    (folder / "envlab_frame.c").unlink()
    with pytest.raises(FileError, match=r"envlab_frame\.c"):
        check_firmware(folder)


@pytest.mark.parametrize("digest", ["*/", "/*", "two\nlines", "größe"])
def test_a_digest_that_would_break_the_comment_is_refused_and_nothing_written(tmp_path, digest):
    with pytest.raises(ParameterError):
        write_firmware(parade_design(), tmp_path / "out", design_digest=digest)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_made_is_one_clear_line(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="cannot be made"):
        write_firmware(parade_design(), tmp_path / "file" / "out")


@pytest.mark.parametrize("codes", [[0, 5, 4, 9] * 20, [-1] + [0] * 99, [0] * 99 + [65_536]])
def test_a_table_that_falls_or_overflows_is_refused(codes):
    facts = HeaderFacts("d", 1000.0, 1000.0)
    with pytest.raises(ParameterError, match="codes"):
        table_text(parade_design().words, np.array(codes), facts)


def test_words_that_the_runtime_cannot_take_are_refused():
    design = parade_design()
    with pytest.raises(ParameterError, match="entries"):
        parameters_text(design.words, design.codes[:-1], HeaderFacts("d", 1000.0, 1000.0))
