"""The worked integrations: both show, frame by frame, what the twin says, also when something fails."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from firmware import twin_vectors as twin
from firmware.host_build import feed
from firmware.targets.tools import call
from firmware.test_hand_edits import changed_with_its_check
from reference.c_compilers import PEDANTIC, find_program, run

from envlab.digital import fixed_kernels as kernels
from envlab.digital.auto_level import OffsetSteps
from envlab.digital.fixed_point import run_twin
from envlab.digital.guard.flash_guard import run_guard
from envlab.digital.light_path import show_frames
from envlab.firmware.export import firmware_files
from envlab.light.flashes.flash import count_flashes

HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "envlab" / "firmware" / "examples"
READINGS_PER_FRAME = 10
COMMON = ("lights.c", "lantern.c", "hand_over.c", "button.c")
ONE_LOOP = (("one_loop.c", *COMMON), ("-Dmain=example_main",))
TWO_TASKS = (("two_tasks.c", *COMMON), ("-DBENCH_TASKS", "-pthread"))
WAYS = {"one loop": ONE_LOOP, "two tasks": TWO_TASKS}
BUTTON, MISSED, BROWN_OUT = 1, 2, 4


@pytest.fixture(scope="module")
def design():
    return twin.parade_design(brightness_rate_hz=100.0, pixel_bits=8)


def build_example(design, folder: Path, way: str, compiler: str, **changed: str) -> Path:
    """Return the program of one way to run the example, its firmware written into a new folder.

    changed: texts of firmware files by their stem, in the place of the exported ones.
    """
    folder.mkdir()
    files = firmware_files(design, design_digest="examples")
    files |= {name: changed[Path(name).stem] for name in files if Path(name).stem in changed}
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    sources, flags = WAYS[way]
    includes = ("-I", folder, "-I", EXAMPLES)
    objects = []
    for part in [*(EXAMPLES / name for name in sources), *folder.glob("envlab_*.c")]:
        objects.append(folder / f"{part.stem}.o")
        renamed = [flag for flag in flags if flag.startswith("-Dmain") and part.stem == "one_loop"]
        strict = ("-std=c99", *PEDANTIC, "-Wshadow", "-fsanitize=address,undefined")
        run(compiler, *strict, *renamed, *includes, "-c", part, "-o", objects[-1])
    # The bench is no firmware: it may use the system it runs on.
    bench = [flag for flag in flags if not flag.startswith("-Dmain")]
    run(
        compiler, "-std=gnu99", "-Wall", "-Wextra", "-Werror", "-fsanitize=address,undefined", *bench,
        *includes, HERE / "bench_board.c", *objects, "-o", folder / "program",
    )  # fmt: skip
    return folder / "program"


def periods(readings, flags=0) -> bytes:
    """Return what bench_board.c reads: reading and flags of every period."""
    stream = np.empty((len(readings), 3), np.uint8)
    stream[:, 0], stream[:, 1], stream[:, 2] = readings & 0xFF, readings >> 8, flags
    return stream.tobytes()


def frames_shown(program: Path, stream: bytes) -> np.ndarray:
    """Return the bytes (frames, 72) that the pixels were sent."""
    return np.frombuffer(feed(program, stream), np.uint8).reshape(-1, 72)


def envelopes_at_frames(design, readings) -> np.ndarray:
    whole = run_twin(design.words, design.codes, readings).envelope
    return whole[READINGS_PER_FRAME - 1 :: READINGS_PER_FRAME]


def frames_of_twin(design, envelopes, offsets=None) -> np.ndarray:
    """Return the bytes (frames, 72) that the pixels must be sent for these envelope words.

    offsets: offset step to choose before a frame, by its number.
    """
    state, duties = kernels.start(design.words), []
    for number, word in enumerate(envelopes.tolist()):
        if offsets and number in offsets:
            state = kernels.choose_offset(design.words, state, offsets[number])
        duty, state = kernels.brightness(design.words, state, design.codes, word)
        duties.append(duty)
    path = design.light_path
    wanted = np.minimum(np.array(duties), path.largest_duty)
    return show_frames(path, run_guard(design.guard_words, wanted)[0])[:, 0]


@pytest.fixture(params=list(WAYS))
def program(request, design, tmp_path, c_compiler):
    return build_example(design, tmp_path / "built", request.param, c_compiler)


@pytest.fixture
def two_tasks(design, tmp_path, c_compiler):
    return build_example(design, tmp_path / "built", "two tasks", c_compiler)


def music(readings: int, seed: int = 5) -> np.ndarray:
    return twin.stimulus(twin.CASES["parade"], readings, seed=seed)[0]


def test_every_frame_is_that_of_the_twin(program, design):
    readings = music(30_000)
    wanted = frames_of_twin(design, envelopes_at_frames(design, readings))
    np.testing.assert_array_equal(frames_shown(program, periods(readings)), wanted)
    assert wanted.max() > 60
    assert (wanted.sum(axis=1) <= design.frame_words.limit).all()


def test_the_button_steps_through_every_sensitivity(tmp_path, c_compiler):
    design = twin.parade_design(brightness_rate_hz=100.0, pixel_bits=8, level=OffsetSteps(3, 3.0, 3.0))
    program = build_example(design, tmp_path / "built", "one loop", c_compiler)
    readings = np.full(4000, 9000)
    held = np.zeros(4000, np.uint8)
    for first in (600, 1400, 2200, 3000):
        held[first : first + 300] = BUTTON
    held[[205, 260]] = BUTTON  # contacts that chatter: less than 20 ms
    # The button is seen down at the frame that ends the period, and counts when it was so for four frames.
    presses = [(first // READINGS_PER_FRAME) + 3 for first in (600, 1400, 2200, 3000)]
    start = round(3.0 / 3.0)
    chosen = {frame: (start + 1 + n) % 3 for n, frame in enumerate(presses)}
    wanted = frames_of_twin(design, envelopes_at_frames(design, readings), chosen)
    np.testing.assert_array_equal(frames_shown(program, periods(readings, held)), wanted)
    assert len({int(wanted[frame + 5].sum()) for frame in presses}) == 3


def test_a_missed_reading_only_makes_the_next_one_late(two_tasks, design):
    readings = music(10_000)
    lost = np.random.default_rng(2).random(10_000) < 0.05
    stream = periods(readings, np.where(lost, MISSED, 0))
    heard, ends = readings[~lost], np.cumsum(~lost)[READINGS_PER_FRAME - 1 :: READINGS_PER_FRAME]
    envelopes = run_twin(design.words, design.codes, heard).envelope[ends - 1]
    np.testing.assert_array_equal(frames_shown(two_tasks, stream), frames_of_twin(design, envelopes))


def test_without_readings_for_a_quarter_of_a_second_it_goes_dark(two_tasks):
    loud = np.full(9000, 40_000)
    gone = np.zeros(9000, np.uint8)
    gone[5000:7000] = MISSED
    shown = frames_shown(two_tasks, periods(loud, gone)).sum(axis=1)
    silent_from, back_from = 500, 700
    assert (shown[silent_from - 5 : silent_from + 25] > 0).all()
    dark_from = silent_from + round(0.27 * 100)
    assert (shown[dark_from:back_from] == shown.min()).all()
    assert shown.min() == 0
    assert (shown[back_from + 1 :] > 0).all()


@pytest.mark.parametrize("stuck_at", [0, 700, 40_000, 65_535])
def test_a_stuck_converter_gives_a_light_that_stands_still(program, stuck_at):
    shown = frames_shown(program, periods(np.full(20_000, stuck_at)))
    later = shown[600:]
    assert count_flashes(shown.mean(axis=1) / 255, 100.0) == 0
    assert np.abs(np.diff(later.astype(int), axis=0)).max() <= 1 or stuck_at == 700
    assert (shown.sum(axis=1) <= twin.parade_design(pixel_bits=8).frame_words.limit).all()


def test_after_a_brown_out_everything_begins_anew(design, tmp_path, c_compiler):
    program = build_example(design, tmp_path / "built", "one loop", c_compiler)
    readings = music(9000, seed=8)
    flags = np.zeros(9000, np.uint8)
    resets = [3005, 3011, 6100]
    flags[resets] = BROWN_OUT
    edges = [0, *resets, 9000]
    wanted = [
        frames_of_twin(design, envelopes_at_frames(design, readings[first:last]))
        for first, last in pairwise(edges)
        if last - first >= READINGS_PER_FRAME
    ]
    np.testing.assert_array_equal(frames_shown(program, periods(readings, flags)), np.concatenate(wanted))


@pytest.mark.parametrize("rates", [(1000.0, 60.0), (44_100.0, 61.44), (8000.0, 23.0)])
def test_frames_keep_their_rate_where_it_does_not_divide_that_of_the_readings(rates, tmp_path, c_compiler):
    adc_hz, frame_hz = rates
    design = twin.parade_design(
        follower=twin.FixedFollower(0.005, 0.3, adc_hz), brightness_rate_hz=frame_hz, pixel_bits=8
    )
    program = build_example(design, tmp_path / "built", "one loop", c_compiler)
    seconds = 10
    shown = frames_shown(program, periods(np.full(round(seconds * adc_hz), 9000)))
    assert abs(len(shown) - seconds * frame_hz) < 1.0


TARGETS = [("avr-gcc", ["-mmcu=atmega328p"]), ("arm-none-eabi-gcc", ["-mcpu=cortex-m0", "-mthumb"])]


@pytest.mark.parametrize(("compiler", "flags"), TARGETS)
def test_examples_compile_for_small_machines(compiler, flags, design, tmp_path):
    cross = find_program(compiler)
    for name, text in firmware_files(design, design_digest="examples").items():
        (tmp_path / name).write_text(text, "ascii")
    for source in EXAMPLES.glob("*.c"):
        include = ("-I", tmp_path, "-I", EXAMPLES)
        run(cross, "-std=c99", "-Os", *flags, *PEDANTIC, *include, "-c", source, "-o", tmp_path / "part.o")


@pytest.mark.parametrize("way", WAYS)
def test_a_damaged_table_keeps_the_pixels_dark_and_says_why(way, design, tmp_path, c_compiler):
    right = firmware_files(design, design_digest="examples")["envlab_table.h"]
    damaged = right.replace("{\n    0u,", "{\n    1u,", 1)
    assert damaged != right
    program = build_example(design, tmp_path / "built", way, c_compiler, envlab_table=damaged)
    with pytest.raises(RuntimeError, match=r"ended with 1:\nalarm 1$"):
        call([program], folder=tmp_path, data=periods(music(2000)))


def test_numbers_changed_with_their_check_sum_keep_the_pixels_dark(design, tmp_path, c_compiler):
    right = firmware_files(design, design_digest="examples")["envlab_parameters.h"]
    changed = changed_with_its_check(right, "FRAME_LIMIT", add=400)
    program = build_example(design, tmp_path / "built", "one loop", c_compiler, envlab_parameters=changed)
    with pytest.raises(RuntimeError, match=r"ended with 1:\nalarm 2$"):
        call([program], folder=tmp_path, data=periods(music(2000)))
