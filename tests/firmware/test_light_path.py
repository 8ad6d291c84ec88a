"""The whole light path on real instruction sets: every code of every refresh is the twin's."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from firmware import light_vectors
from firmware.targets import MACHINES, Driver, require, run_machine
from firmware.targets.driver import STRICT

from envlab.digital.guard.picture_guard import picture_light
from envlab.digital.light_path import run_light_path
from envlab.light.flashes.flash import count_flashes

FRAMES = 1500


@cache
def stimuli_and_records(case_name: str) -> tuple[bytes, np.ndarray]:
    case = light_vectors.CASES[case_name]
    readings, offsets = light_vectors.stimuli(FRAMES)
    return (
        light_vectors.stimulus_bytes(readings, offsets),
        light_vectors.expected(case, readings, offsets),
    )


def light_driver(case, files, folder):
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    return Driver(
        (light_vectors.DRIVER, *(folder / part for part in case.parts)),
        light_vectors.STIMULUS_BYTES,
        case.record.itemsize,
        include=(folder,),
        defines=case.defines,
        warnings=STRICT,
    )


@pytest.mark.parametrize("case_name", light_vectors.CASES)
@pytest.mark.parametrize("name", MACHINES)
def test_every_code_that_goes_to_the_pixels_is_the_twins(name, case_name, tmp_path):
    machine, case = MACHINES[name], light_vectors.CASES[case_name]
    require(machine)
    stimuli, wanted = stimuli_and_records(case_name)
    driver = light_driver(case, case.files, tmp_path)
    got = np.frombuffer(run_machine(machine, driver, stimuli, tmp_path), case.record)
    np.testing.assert_array_equal(got["duty"], wanted["duty"])
    np.testing.assert_array_equal(got["codes"], wanted["codes"])


@pytest.mark.parametrize("case_name", light_vectors.CASES)
def test_no_refresh_passes_the_limit_and_what_it_allows_is_used(case_name):
    case = light_vectors.CASES[case_name]
    wanted = stimuli_and_records(case_name)[1]
    sums = wanted["codes"].sum(axis=-1, dtype=np.int64)
    limit = case.design.frame_words.limit
    assert (sums <= limit).all()
    most = case.path.largest_duty
    if case_name.startswith("scaled"):
        assert (wanted["duty"] <= most).all()
    else:
        assert sums.max() >= 0.95 * limit
        assert (wanted["duty"] >= 32_768).any()
    # Without the guard nothing holds the duty: the limiter itself has to act.
    dimmed = wanted["duty"] > most
    assert dimmed.any() == (not case.design.guard)
    assert (sums[dimmed] >= 0.95 * limit).all()


def test_the_guard_acts_in_the_cases_that_have_one():
    for case in light_vectors.CASES.values():
        readings, offsets = light_vectors.stimuli(FRAMES)
        ends = light_vectors.READINGS * np.arange(1, FRAMES + 1)
        trace = run_light_path(case.path, readings, ends, offsets=offsets)
        assert trace.held.any() == case.design.guard
        np.testing.assert_array_equal(trace.held, trace.wanted != trace.duty)
        brightest = min(int(trace.wanted.max()), case.path.largest_duty)
        full = picture_light(case.design.frame_words, case.path.chain_colours, np.array(brightest))
        light = picture_light(case.design.frame_words, case.path.chain_colours, trace.duty) / full
        if case.design.guard:
            wanted = picture_light(case.design.frame_words, case.path.chain_colours, trace.wanted) / full
            assert count_flashes(wanted, case.design.brightness_rate_hz) > 3
            assert count_flashes(light, case.design.brightness_rate_hz) <= 3
