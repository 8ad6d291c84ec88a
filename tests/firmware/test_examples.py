"""The worked integrations: both show, frame by frame, what the twin says, and hand over a word untorn."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from firmware import twin_vectors as twin
from firmware.host_build import feed
from firmware.light_vectors import lantern_colours
from firmware.targets import MACHINES, require
from firmware.test_interrupted_reader import EVERYWHERE, snapshot_driver, torn, words_read
from reference.c_compilers import PEDANTIC, find_program, run

from envlab.digital.light_path import LightPath, run_light_path
from envlab.firmware.export import firmware_files

HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "envlab" / "firmware" / "examples"
READINGS_PER_FRAME = 10
WAYS = {
    "bare main loop": (["bare_main_loop.c"], []),
    "two tasks": (["two_tasks.c"], ["-DBENCH_TASKS", "-pthread"]),
}


@pytest.fixture(scope="module")
def design():
    return twin.parade_design(brightness_rate_hz=100.0, pixel_bits=8)


def frames_of_twin(design, readings):
    """Return the codes (frames, channels) that the pixels must be sent."""
    path = LightPath(design.words, design.codes, design.frame_words, lantern_colours(3))
    ends = np.arange(READINGS_PER_FRAME, readings.size + 1, READINGS_PER_FRAME)
    return run_light_path(path, readings, ends).codes[:, 0]


@pytest.fixture(params=list(WAYS))
def program(request, design, tmp_path, c_compiler):
    for name, text in firmware_files(design, design_digest="examples").items():
        (tmp_path / name).write_text(text, "ascii")
    sources, flags = WAYS[request.param]
    parts = [EXAMPLES / name for name in (*sources, "lantern.c", "snapshot.c")]
    runtime = sorted(tmp_path.glob("envlab_*.c"))
    for part in parts:
        run(c_compiler, "-std=c99", *PEDANTIC, "-I", tmp_path, "-I", EXAMPLES, "-c", part, "-o", "/dev/null")
    bench = HERE / "bench_board.c"
    # The bench is no firmware: it may use the system it runs on.
    run(
        c_compiler, "-std=gnu99", "-Wall", "-Wextra", "-Werror", *flags, "-fsanitize=address,undefined",
        "-I", tmp_path, "-I", EXAMPLES, bench, *parts, *runtime, "-o", tmp_path / "program",
    )  # fmt: skip
    return tmp_path / "program"


def test_every_frame_is_that_of_the_twin(program, design):
    readings, _ = twin.stimulus(twin.CASES["parade"], 30_000, seed=5)
    wanted = frames_of_twin(design, readings)
    got = np.frombuffer(feed(program, readings.astype("<u2").tobytes()), np.uint8).reshape(-1, 72)
    np.testing.assert_array_equal(got, wanted)
    assert wanted.max() > 60
    assert (wanted.sum(axis=1) <= design.frame_words.limit).all()


@pytest.mark.parametrize(
    ("compiler", "flags"),
    [("avr-gcc", ["-mmcu=atmega328p"]), ("arm-none-eabi-gcc", ["-mcpu=cortex-m0", "-mthumb"])],
)
def test_examples_compile_for_small_machines(compiler, flags, design, tmp_path):
    cross = find_program(compiler)
    for name, text in firmware_files(design, design_digest="examples").items():
        (tmp_path / name).write_text(text, "ascii")
    for source in EXAMPLES.glob("*.c"):
        include = ("-I", tmp_path, "-I", EXAMPLES)
        run(cross, "-std=c99", "-Os", *flags, *PEDANTIC, *include, "-c", source, "-o", tmp_path / "part.o")


def test_a_damaged_table_keeps_the_pixels_dark(program, tmp_path, c_compiler):
    path = tmp_path / "envlab_table.h"
    text = path.read_text("ascii")
    changed = text.replace("{\n    0u,", "{\n    1u,", 1)
    assert changed != text
    path.write_text(changed, "ascii")
    rebuilt = tmp_path / "damaged"
    parts = [EXAMPLES / name for name in ("bare_main_loop.c", "lantern.c", "snapshot.c")]
    includes = ("-I", tmp_path, "-I", EXAMPLES)
    run(
        c_compiler,
        "-std=gnu99",
        *includes,
        HERE / "bench_board.c",
        *parts,
        *tmp_path.glob("envlab_*.c"),
        "-o",
        rebuilt,
    )
    with pytest.raises(AssertionError):
        feed(rebuilt, bytes(2000))
    assert program.exists()


@pytest.mark.parametrize("name", EVERYWHERE)
def test_the_word_is_never_torn_whichever_instruction_is_interrupted(name, tmp_path):
    require(MACHINES[name])
    results = words_read(name, snapshot_driver(EXAMPLES / "snapshot.c", "SNAPSHOT_TWICE"), tmp_path)
    assert torn(results) == []
    # The interrupt really fell before, within and after the reads: both words came back.
    assert {read == new for old, new, read in results if old != new} == {True, False}
