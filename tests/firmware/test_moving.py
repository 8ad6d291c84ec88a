"""The moving mean and maximum in C against their twin on every machine, and the twin against arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from firmware import moving_vectors as moving
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.elf import read_elf32
from firmware.targets.machines import ONE_OF_EACH_KIND
from firmware.targets.runtime import runtime_driver
from reference.c_compilers import PEDANTIC, run
from scipy.ndimage import maximum_filter1d
from scipy.signal import lfilter

from envlab.digital import fixed_kernels as kernels
from envlab.digital.fixed_point import follow_moving, run_frames
from envlab.digital.fixed_words import check_words, mean_factor
from envlab.errors import ParameterError

COUNT = 5000
ON_ALL = ("mean of 10", "maximum of 10")


def moving_driver(files: dict[str, str], folder) -> Driver:
    return runtime_driver(
        moving.DRIVER,
        files,
        folder,
        input_bytes=2,
        record_bytes=moving.RECORD.itemsize,
        parts=("envlab_moving.c",),
    )


def first_difference(records: bytes, expected: np.ndarray) -> str:
    got = np.frombuffer(records, moving.RECORD)
    wrong = np.flatnonzero(got != expected)
    return "" if not wrong.size else f"step {wrong[0]}: {got[wrong[0]]}, the twin has {expected[wrong[0]]}"


def check_on(machine, case: str, folder, change=("", "")) -> str:
    require(machine)
    words, given = moving.CASES[case], moving.envelopes(COUNT)
    files = moving.moving_files(words)
    right = files["envlab_moving.c"]
    files["envlab_moving.c"] = right.replace(*change) if change[0] else right
    assert (files["envlab_moving.c"] != right) == bool(change[0])
    driver = moving_driver(files, folder)
    records = run_machine(machine, driver, given.astype("<u2").tobytes(), folder)
    return first_difference(records, moving.expected(words, given))


@pytest.mark.parametrize("case", ON_ALL)
@pytest.mark.parametrize("name", MACHINES)
def test_answer_and_ring_are_the_twins_after_every_envelope(name, case, tmp_path):
    assert check_on(MACHINES[name], case, tmp_path) == ""


@pytest.mark.parametrize("case", [case for case in moving.CASES if case not in ON_ALL])
@pytest.mark.parametrize("name", ["host-gcc-undefined", "avr-multiplier"])
def test_the_shortest_and_longest_windows_where_int_has_16_bit(name, case, tmp_path):
    assert check_on(MACHINES[name], case, tmp_path) == ""


@pytest.mark.parametrize(
    ("case", "change"),
    [
        ("mean of 10", ("0x8000u", "0u")),
        ("mean of 10", ("place < ENVLAB_MOVING_READINGS", "place <= ENVLAB_MOVING_READINGS - 2")),
        ("maximum of 10", ("oldest == highest", "oldest > highest")),
        ("maximum of 10", ("state->past[n] > highest", "state->past[n] < highest")),
    ],
)
@pytest.mark.parametrize("name", ONE_OF_EACH_KIND)
def test_a_wrong_line_is_caught(name, case, change, tmp_path):
    assert "the twin has" in check_on(MACHINES[name], case, tmp_path, change)


@pytest.mark.parametrize("readings", [2, 3, 7, 10, 64, 200, 255])
def test_the_mean_is_scipys_within_half_a_unit_and_its_share(readings):
    given = moving.envelopes(COUNT)
    answer = follow_moving(moving.words_of(readings, True), given)
    padded = np.concatenate((np.zeros(readings), given.astype(float)))
    exact = lfilter(np.full(readings, 1 / readings), 1.0, padded)[readings:]
    # The share of each is cut to 1/65536: together they miss less than readings/65536 of the mean.
    assert (answer - exact <= 0.5 + 1e-6).all()
    assert (answer - exact >= -0.5 - 1e-6 - exact * readings / 65_536).all()


@pytest.mark.parametrize("readings", [2, 3, 10, 255])
def test_the_maximum_is_scipys(readings):
    given = moving.envelopes(COUNT)
    padded = np.concatenate((np.zeros(readings, np.int64), given))
    wanted = maximum_filter1d(padded, readings, origin=(readings - 1) // 2)[readings:]
    np.testing.assert_array_equal(follow_moving(moving.words_of(readings, False), given), wanted)


@pytest.mark.parametrize("case", moving.CASES)
def test_a_steady_envelope_of_whole_counts_comes_out_as_it_is(case):
    words = moving.CASES[case]
    for word in (0, 64, 640):
        assert follow_moving(words, np.full(300, word))[-1] == word


@pytest.mark.parametrize("case", moving.CASES)
def test_no_sum_passes_32_bit_and_python_integers_agree(case):
    words = moving.CASES[case]
    held, plain = kernels.start_moving(words), kernels.start_moving.py_func(words)
    for word in [65_535] * 600 + moving.envelopes(400).tolist():
        assert kernels.moving(words, held, word) == kernels.moving.py_func(words, plain, word)
        assert 0 <= held[0] < 1 << 32
    np.testing.assert_array_equal(held, plain)


@pytest.mark.parametrize("cut", [0, 1, 7, 500, 1999, 2000])
def test_two_runs_of_frames_equal_one(cut):
    case = moving.twin_vectors.CASES["parade"]
    words = moving.CASES["mean of 10"]
    readings = moving.envelopes(2000)
    ends = np.arange(10, 2001, 10)
    whole = run_frames(words, case.codes, readings, ends)
    first = run_frames(words, case.codes, readings[:cut], ends[ends <= cut])
    second = run_frames(
        words, case.codes, readings[cut:], ends[ends > cut] - cut, state=first.end, held=first.held
    )
    np.testing.assert_array_equal(np.append(first.envelope, second.envelope), whole.envelope)
    np.testing.assert_array_equal(np.append(first.duty, second.duty), whole.duty)
    np.testing.assert_array_equal(second.held, whole.held)


def test_words_that_would_overflow_are_refused():
    words, codes = moving.CASES["mean of 10"], moving.twin_vectors.CASES["parade"].codes
    for change in (
        {"moving_readings": 0},
        {"moving_readings": 256},
        {"moving_factor": mean_factor(10) + 1},
        {"moving_readings": 1},
    ):
        with pytest.raises(ParameterError, match="moving_"):
            check_words(words._replace(**change), len(codes))


def test_a_design_that_shows_the_latest_does_not_compile_one(tmp_path, c_compiler):
    files = moving.moving_files(moving.CASES["mean of 10"])
    files["envlab_parameters.h"] = "#define ENVLAB_MOVING_READINGS 1\n#define ENVLAB_MOVING_FACTOR 0\n"
    for name, text in files.items():
        (tmp_path / name).write_text(text, "ascii")
    with pytest.raises(AssertionError, match="neither a moving mean nor a moving maximum"):
        run(c_compiler, "-c", "envlab_moving.c", cwd=tmp_path)


def test_it_is_c99_and_cpp11(tmp_path, c_compiler, cpp_compiler):
    for words in moving.CASES.values():
        for name, text in moving.moving_files(words).items():
            (tmp_path / name).write_text(text, "ascii")
        run(c_compiler, "-std=c99", *PEDANTIC, "-c", "envlab_moving.c", cwd=tmp_path)
        run(cpp_compiler, "-x", "c++", "-std=c++11", *PEDANTIC, "-c", "envlab_moving.c", cwd=tmp_path)


@pytest.mark.parametrize("case", ON_ALL)
def test_cost_on_the_8_bit_machine(case, tmp_path):
    """At most 220 bytes of code with the start, 26 of state and 300 cycles a reading for ten of them."""
    machine = MACHINES["avr-multiplier"]
    require(machine)
    driver = moving_driver(moving.moving_files(moving.CASES[case]), tmp_path)
    image = machine.build(driver, tmp_path)
    sizes = read_elf32(tmp_path / f"{machine.name}-envlab_moving.o").sizes
    assert sum(sizes.values()) <= 220, sizes
    assert read_elf32(image.path).sizes["state"] <= 26
    falling = np.tile(np.arange(60_000, 0, -1000), 40)
    given = np.concatenate((moving.envelopes(COUNT), falling))
    cost = machine.measure(image, given.astype("<u2").tobytes(), ("envlab_moving",))["envlab_moving"]
    assert cost.most_cycles <= 300, cost
