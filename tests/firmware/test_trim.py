"""A board's trim in C against Python, on every instruction set that the runtime is proven on."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.runtime import runtime_driver
from firmware.twin_vectors import parade_design
from reference.c_compilers import PEDANTIC, find_program

from envlab.bench.boards.trim import GAIN_BITS, BoardTrim, trimmed_words
from envlab.bench.boards.trim_header import trim_header
from envlab.firmware.export import firmware_files, mark_of

RECORD = np.dtype([("envelope", "<u2"), ("zero", "<u2"), ("zero_limit", "<u2"), ("window", "<u2")])
GAINS = (0.25, 1.0, 1.3172, 3.99)


def trim(gain: float, rest_word: int = 1234) -> BoardTrim:
    return BoardTrim("0007", rest_word / 64, gain, rest_word, round(gain * 2**GAIN_BITS), (0.0,))


def trim_driver(gain: float, folder: Path) -> Driver:
    design = parade_design()
    files = firmware_files(design) | {"envlab_trim_0007.h": trim_header(trim(gain), mark_of(design))}
    return runtime_driver(
        Path(__file__).parent / "trim_driver.c", files, folder, input_bytes=2, record_bytes=RECORD.itemsize
    )


def check_on(name: str, gain: float, folder: Path, step: int) -> None:
    machine = MACHINES[name]
    require(machine)
    envelopes = np.unique(np.append(np.arange(0, 65_536, step), [1, 2, 16_383, 16_424, 65_534, 65_535]))
    stimuli = envelopes.astype("<u2").tobytes()
    records = np.frombuffer(run_machine(machine, trim_driver(gain, folder), stimuli, folder), RECORD)
    assert np.array_equal(records["envelope"], trimmed_words(envelopes, trim(gain)))
    words = parade_design().words
    assert set(records["zero"]) == {1234}
    assert set(records["zero_limit"]) == {1234 + words.zero_reach}
    assert set(records["window"]) == {words.window_start}


@pytest.mark.parametrize("name", MACHINES)
def test_a_trim_is_the_same_on_every_machine(name, tmp_path):
    check_on(name, 1.3172, tmp_path, 37)


@pytest.mark.parametrize("gain", GAINS)
def test_every_envelope(gain, tmp_path):
    check_on("host-gcc-O2", gain, tmp_path, 1)


def test_words_are_those_of_exact_arithmetic():
    envelopes = np.arange(65_536)
    for gain in GAINS:
        exact = np.minimum(np.floor(envelopes * trim(gain).gain_word / 2**GAIN_BITS + 0.5), 65_535)
        assert np.array_equal(trimmed_words(envelopes, trim(gain)), exact)


@pytest.mark.parametrize(
    ("rest_word", "off", "said"),
    [(1234, 1, "is of another export"), (65_530, 0, "too near the converter's top")],
)
def test_a_trim_that_does_not_fit_stops_the_compiler(rest_word, off, said, tmp_path):
    design = parade_design()
    for name, text in firmware_files(design).items():
        (tmp_path / name).write_text(text, "ascii")
    header = trim_header(trim(1.0, rest_word), mark_of(design) + off)
    (tmp_path / "envlab_trim_0007.h").write_text(header, "ascii")
    (tmp_path / "use.c").write_text(
        '#include "envlab_trim_0007.h"\nint use(void);\nint use(void)\n{ return 0; }\n'
    )
    compiler = find_program("gcc", "clang")
    done = subprocess.run(
        [compiler, "-std=c99", *PEDANTIC, "-c", "use.c", "-o", "use.o"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode != 0
    assert said in done.stderr
