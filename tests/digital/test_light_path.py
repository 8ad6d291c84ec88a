"""The twin of the whole light path: two runs equal one, and each part is the twin that stands alone."""

from __future__ import annotations

import numpy as np
import pytest
from firmware import light_vectors

from envlab.digital.fixed_frame import FrameWords, frame_codes, refresh_thresholds, scale_words
from envlab.digital.fixed_point import run_twin
from envlab.digital.light_path import LightPath, run_light_path, show_frames
from envlab.errors import ParameterError

FRAMES = 300


@pytest.mark.parametrize("case_name", light_vectors.CASES)
@pytest.mark.parametrize("split", [0, 1, 137, FRAMES])
def test_two_runs_equal_one(case_name, split):
    path = light_vectors.CASES[case_name].path
    readings, offsets = light_vectors.stimuli(FRAMES)
    ends = light_vectors.READINGS * np.arange(1, FRAMES + 1)
    whole = run_light_path(path, readings, ends, offsets=offsets)
    at = split * light_vectors.READINGS
    first = run_light_path(path, readings[:at], ends[:split], offsets=offsets[:split])
    then = run_light_path(path, readings[at:], ends[split:] - at, state=first.end, offsets=offsets[split:])
    np.testing.assert_array_equal(np.concatenate([first.duty, then.duty]), whole.duty)
    np.testing.assert_array_equal(np.concatenate([first.codes, then.codes]), whole.codes)
    assert then.end == whole.end


def test_a_frame_at_every_reading_has_the_duties_of_the_runtime():
    case = light_vectors.CASES["full table, 16 bit"]
    readings, _ = light_vectors.stimuli(80)
    trace = run_light_path(case.path, readings, np.arange(1, readings.size + 1))
    alone = run_twin(case.design.words, case.design.codes, readings).duty
    np.testing.assert_array_equal(trace.wanted, np.minimum(alone, case.path.largest_duty))
    assert alone.max() > case.path.largest_duty


def test_colours_repeat_along_the_chain():
    words = FrameWords(5, 3, 8, 5 * 3 * 255, 0, 100)
    path = LightPath(
        light_vectors.CASES["scaled table, 8 bit"].design.words,
        np.zeros(2),
        words,
        np.arange(6).reshape(2, 3),
    )
    assert path.chain_colours.tolist() == [0, 1, 2, 3, 4, 5, 0, 1, 2, 3, 4, 5, 0, 1, 2]


def test_refreshes_step_through_the_pattern_from_frame_to_frame():
    case = light_vectors.CASES["full table, 8 bit, dithered"]
    path = LightPath(case.design.words, case.design.codes, case.design.frame_words, case.path.colours, 3)
    duties = np.array([900, 901, 902])
    shown = show_frames(path, duties, phase=254).reshape(9, -1)
    for n in range(9):
        asked = scale_words(duties[n // 3 : n // 3 + 1], path.chain_colours)
        thresholds = refresh_thresholds(path.frame, (254 + 1 + n) % 256)
        np.testing.assert_array_equal(shown[n], frame_codes(path.frame, asked, thresholds))
    assert len(np.unique(shown[:4], axis=0)) == 4


@pytest.mark.parametrize("case_name", light_vectors.CASES)
def test_the_largest_duty_is_the_last_one_that_is_not_dimmed(case_name):
    path = light_vectors.CASES[case_name].path
    most = path.largest_duty
    assert 0 < most <= 65_535
    duties = np.array([most - 1, most, min(most + 1, 65_535)])
    open_frame = path.frame._replace(
        limit=path.frame.pixels * path.frame.channels * ((1 << path.frame.bits) - 1)
    )
    unlimited = LightPath(path.words, path.table, open_frame, path.colours, 1 << path.frame.dither_bits)
    free = show_frames(unlimited, duties).sum(axis=-1).max(axis=1)
    assert (free[:2] <= path.frame.limit).all()
    if case_name.startswith("full"):
        assert most < 65_535
        held = show_frames(path, np.array([65_535])).sum(axis=-1)
        assert (held > 0.95 * path.frame.limit).all()


WORDS, TABLE = light_vectors.CASES["scaled table, 8 bit"].design.words, np.zeros(4)
FRAME = FrameWords(24, 3, 8, 5059, 0, 100)


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: LightPath(WORDS, TABLE, FRAME, np.zeros((1, 4))), "colours"),
        (lambda: LightPath(WORDS, TABLE, FRAME, np.zeros(3)), "colours"),
        (lambda: LightPath(WORDS, TABLE, FRAME, np.zeros((0, 3))), "colours"),
        (lambda: LightPath(WORDS, TABLE, FRAME, np.full((1, 3), 65_536)), "colours"),
        (lambda: LightPath(WORDS, TABLE, FRAME, np.full((1, 3), -1)), "colours"),
        (lambda: LightPath(WORDS, TABLE, FRAME, np.zeros((1, 3)), 0), "refreshes"),
        (lambda: LightPath(WORDS, TABLE, FRAME._replace(bits=7), np.zeros((1, 3))), "bits"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name
