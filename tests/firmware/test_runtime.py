"""The C runtime against its Python twin, whole state and output, bit for bit, on this machine."""

from __future__ import annotations

import re

import numpy as np
import pytest
from firmware import placed_vectors as placed
from firmware import twin_vectors as twin
from firmware.host_build import HERE, build, feed

from envlab.digital.fixed_frame import Dither, byte_duty, frame_factor
from envlab.digital.fixed_kernels import between
from envlab.digital.fixed_point import run_twin
from envlab.firmware.export import firmware_files

READINGS = 100_000
SIZES = (twin.STIMULUS_BYTES, twin.RECORD_BYTES)
FRAME_SIZES = (10, 8)
SANITIZE = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


@pytest.fixture(params=list(twin.CASES), ids=list(twin.CASES))
def case(request):
    return twin.CASES[request.param]


@pytest.fixture
def folder(case, tmp_path):
    case.write(tmp_path)
    return tmp_path


def first_difference(case, readings, offsets, got):
    wanted = np.frombuffer(twin.expected_bytes(case, readings, offsets), twin.RECORD)
    found = np.frombuffer(got, twin.RECORD)
    if len(found) != len(wanted):
        return f"{len(found)} records, not {len(wanted)}"
    different = np.flatnonzero(found != wanted)
    if not different.size:
        return ""
    n = different[0]
    return f"step {n}, reading {readings[n]}, offset {offsets[n]}: C {found[n]}, twin {wanted[n]}"


@pytest.mark.parametrize("flags", [("-O0",), ("-O3",), SANITIZE], ids=["O0", "O3", "sanitized"])
def test_c_equals_the_twin_bit_for_bit(case, folder, c_compiler, flags):
    readings, offsets = twin.stimulus(case, READINGS)
    program = build(c_compiler, twin.DRIVER, folder, SIZES, flags=flags)
    got = feed(program, twin.stimulus_bytes(readings, offsets))
    assert first_difference(case, readings, offsets, got) == ""


def test_step_is_both_halves_and_look_up_stands_alone(tmp_path, c_compiler):
    case = twin.CASES["parade"]
    case.write(tmp_path)
    readings, _ = twin.stimulus(case, 30_000, seed=3)
    program = build(c_compiler, HERE / "step_driver.c", tmp_path, (2, 4))
    got = np.frombuffer(feed(program, readings.astype("<u2").tobytes()), [("duty", "<u2"), ("entry", "<u2")])
    np.testing.assert_array_equal(got["duty"], run_twin(case.words, case.codes, readings).duty)
    entries = [between(case.codes, int(reading) >> 2) for reading in readings]
    np.testing.assert_array_equal(got["entry"], entries)


@pytest.mark.parametrize("name", placed.CASES)
def test_one_step_from_any_state_is_the_twins(name, tmp_path, c_compiler):
    case = twin.CASES[name]
    case.write(tmp_path)
    stimuli = placed.placed_stimuli(case, 20_000)
    program = build(c_compiler, placed.DRIVER, tmp_path, placed.SIZES, flags=SANITIZE)
    got = np.frombuffer(feed(program, stimuli.tobytes()), twin.RECORD)
    wanted = placed.placed_records(case, stimuli)
    different = np.flatnonzero(got != wanted)
    assert not different.size, (stimuli[different[0]], got[different[0]], wanted[different[0]])


@pytest.mark.parametrize("name", ["parade", "both clamps"])
def test_two_tasks_may_have_a_state_each(name, tmp_path, c_compiler):
    case = twin.CASES[name]
    case.write(tmp_path)
    readings, _ = twin.stimulus(case, 60_000, seed=4)
    program = build(c_compiler, HERE / "two_states_driver.c", tmp_path, (2, 2))
    got = np.frombuffer(feed(program, readings.astype("<u2").tobytes()), "<u2")
    np.testing.assert_array_equal(got, run_twin(case.words, case.codes, readings).duty)


def test_compiled_as_cpp_it_is_the_same(case, folder, cpp_compiler):
    readings, offsets = twin.stimulus(case, 20_000, seed=2)
    program = build(cpp_compiler, twin.DRIVER, folder, SIZES, flags=("-O2",))
    got = feed(program, twin.stimulus_bytes(readings, offsets))
    assert first_difference(case, readings, offsets, got) == ""


def records_of(case):
    readings, offsets = twin.stimulus(case, READINGS)
    return np.frombuffer(twin.expected_bytes(case, readings, offsets), twin.RECORD), offsets


def test_the_stimuli_reach_every_end(case):
    record, offsets = records_of(case)
    words = case.words
    assert len(np.unique(record["word"])) > 3
    assert (offsets >= words.offset_steps).any()
    assert (record["gate"] == words.gate_open).any() or words.gate_open == 0
    assert (record["mute"] == 0).any() or words.dim == 0
    assert record["fade"].max() == words.dim
    if words.automatic:
        # A follower of 30 s never gets to full light.
        assert (record["full"] > 0).any() or case.name == "longest"
        assert (record["peak_before"] > 0).any() or words.sound_level == 65_535
        assert len(np.unique(record["judge_left"])) > 2


def test_both_clamps_are_reached_at_both_ends():
    case = twin.CASES["both clamps"]
    record, _ = records_of(case)
    words = case.words
    assert {record["window"].min(), record["window"].max()} == {words.window_least, words.window_most}
    assert record["noise"].max() >= words.noise_most
    assert {0, words.patience} <= set(record["patience"])
    zero = record["zero"].astype(int) + record["zero_low"] / 256
    moved = np.diff(zero)
    learnt = np.flatnonzero(np.diff(record["unlearnt"].astype(int)))
    assert len(learnt) == 2
    moved[learnt] = 0.0
    # Rises, the largest fall, smaller ones, and the stop under the limit; Q16.8 words.
    assert {words.zero_rise / 256, -words.zero_fall / 256} <= set(moved)
    assert ((moved < 0) & (moved > -words.zero_fall / 256)).any()
    at_the_limit = record["zero"] >= record["zero_limit"]
    assert at_the_limit.any()
    assert np.diff(record["zero_limit"].astype(int)).min() < 0
    assert record["zero"].min() >= words.zero_least


def test_codes_and_envelopes_of_the_upper_half_are_shown():
    shown = [records_of(case)[0] for case in twin.CASES.values()]
    assert sum((record["duty"] >= 32_768).sum() for record in shown) > 10_000
    assert sum((record["word"] >= 32_768).sum() for record in shown) > 10_000
    assert max(case.codes.max() for case in twin.CASES.values()) == 65_535


def test_together_the_cases_hold_the_extremes():
    every = [case.words for case in twin.CASES.values()]
    assert min(w.attack_factor for w in every) == 1
    assert max(w.attack_factor for w in every) >= 65_000
    for name, values in {
        "attack_fraction": {16, 24},
        "release_fraction": {16, 24},
        "automatic": {0, 1},
        "level_index": {0, 1},
    }.items():
        assert {getattr(w, name) for w in every} == values, name
    assert any(w.gate_open == w.gate_close == 0 for w in every)
    assert any(w.gate_close > w.range_level > 0 for w in every)
    assert any(w.dim < 32_768 for w in every)
    assert any(w.dim == 65_535 for w in every)


@pytest.fixture
def frame_folder(tmp_path):
    design = twin.parade_design(dither=Dither(2, 1000.0))
    for name, text in firmware_files(design, design_digest="frame").items():
        (tmp_path / name).write_text(text, "ascii")
    return tmp_path


@pytest.mark.parametrize("flags", [("-O0",), ("-O3",), SANITIZE], ids=["O0", "O3", "sanitized"])
def test_frame_and_dither_equal_the_twin(frame_folder, c_compiler, flags):
    rng = np.random.default_rng(6)
    count, design = 70_000, twin.parade_design(dither=Dither(2, 1000.0))
    totals = np.where(
        rng.random(count) < 0.5, rng.integers(0, 1 << 31, count), rng.integers(0, 1 << 21, count)
    )
    totals[:5] = [0, *(design.sum_limit * k for k in (1, 2, 4)), design.sum_limit + 1]
    stimuli = np.empty(
        count, [("total", "<u4"), ("duty", "<u2"), ("factor", "<u2"), ("phase", "u1"), ("place", "u1")]
    )
    stimuli["total"], stimuli["duty"] = totals, np.arange(count) % 65_536
    stimuli["factor"] = rng.choice([0, 1, 32_767, 65_534, 65_535, 12_345], count)
    stimuli["phase"], stimuli["place"] = rng.integers(0, 256, count), rng.integers(0, 256, count)
    program = build(c_compiler, HERE / "frame_driver.c", frame_folder, FRAME_SIZES, flags=flags)
    got = np.frombuffer(
        feed(program, stimuli.tobytes()),
        [
            ("frame", "<u2"),
            ("scaled", "<u2"),
            ("byte", "u1"),
            ("dithered", "u1"),
            ("next", "u1"),
            ("whole", "u1"),
        ],
    )
    duties, dither = stimuli["duty"].astype(np.int64), design.dither
    np.testing.assert_array_equal(got["frame"], [frame_factor(int(t), design.sum_limit) for t in totals])
    np.testing.assert_array_equal(got["scaled"], duties * (stimuli["factor"].astype(np.int64) + 1) >> 16)
    np.testing.assert_array_equal(got["byte"], byte_duty(duties))
    phases = (stimuli["phase"].astype(int) + stimuli["place"]) % 256
    thresholds = np.array([dither.threshold(phase) for phase in range(256)])[phases]
    np.testing.assert_array_equal(got["dithered"], byte_duty(duties, thresholds))
    np.testing.assert_array_equal(got["next"], (stimuli["phase"].astype(int) + 1) % 256)
    assert (got["whole"] == 1).all()


def test_a_changed_table_is_noticed_at_start_up(frame_folder, c_compiler):
    path = frame_folder / "envlab_table.h"
    text = path.read_text("ascii")
    row = next(line for line in text.split("\n") if line.endswith("/* 24 */"))
    value = re.findall(r"\d+", row)[0]
    path.write_text(text.replace(row, row.replace(value, str(int(value) + 1), 1)), "ascii")
    program = build(c_compiler, HERE / "frame_driver.c", frame_folder, FRAME_SIZES)
    assert feed(program, bytes(10))[-1] == 0


def test_headers_of_two_designs_do_not_compile_together(frame_folder, c_compiler):
    other = twin.CASES["longest"].files["envlab_table.h"]
    (frame_folder / "envlab_table.h").write_text(other, "ascii")
    with pytest.raises(AssertionError, match="belong to two different designs"):
        build(c_compiler, HERE / "frame_driver.c", frame_folder, FRAME_SIZES)


def test_dither_part_does_not_compile_for_a_design_without(tmp_path, c_compiler):
    case = twin.CASES["parade"]
    case.write(tmp_path)
    for name in ("envlab_dither.h", "envlab_dither.c"):
        (tmp_path / name).write_bytes(
            (HERE.parents[1] / "envlab" / "firmware" / "runtime" / name).read_bytes()
        )
    with pytest.raises(AssertionError, match="exported without dithering"):
        build(c_compiler, twin.DRIVER, tmp_path, SIZES)


def test_the_source_has_no_division_heap_or_floating_point():
    code = "\n".join(twin.CASES["parade"].files.values())
    code = re.sub(r"/\*.*?\*/", "", code, flags=re.DOTALL)
    code = re.sub(r'#include.*|"[^"\n]*"', "", code)
    assert not re.search(r"\b(float|double|malloc|calloc|realloc|free|int|long|short|signed|char)\b", code)
    assert not re.search(r"[/%]", code)
