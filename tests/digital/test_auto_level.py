"""The brightness window moves at the speeds it says, stops where it must, and finds quiet and loud alike."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.digital.auto_level import AutoLevel, OffsetSteps, adapt_words
from envlab.digital.fixed_point import LEVEL_UNITS_PER_DB, FixedFollower, justify, level_units, run_twin
from envlab.digital.fixed_words import FixedWords
from envlab.errors import ParameterError

SEGMENTS = 60
RANGE = SEGMENTS * 256
CODES = np.append(np.linspace(0, 65_535, SEGMENTS + 1).astype(np.int64), 65_535)
START = 40_000


def words_of(control: AutoLevel | None, rate_hz: float = 1000.0, **changes) -> FixedWords:
    fast = FixedFollower(0.001, 0.05)
    words = FixedWords(
        rest=0, attack_factor=fast.attack.factor, attack_fraction=fast.attack.fraction,
        release_factor=fast.release.factor, release_fraction=fast.release.fraction, level_index=1,
        range_level=RANGE, automatic=0, adapt_every=1, window_start=START, window_least=START,
        window_most=START, window_rise=0, window_fall=0, noise_most=0, noise_rise=0, gate_open=0,
        gate_close=0, rest_duty=0, cap=65_535, window_least_sensitive=START, offset_step=0, offset_steps=1,
    )  # fmt: skip
    if control is not None:
        found = adapt_words(control, rate_hz)
        words = words._replace(
            automatic=1, adapt_every=found.every, window_rise=found.rise, window_fall=found.fall,
            noise_rise=found.noise_rise, noise_most=level_units(control.noise_most_db),
            window_least=START - level_units(control.down_db), window_most=START + level_units(control.up_db),
        )  # fmt: skip
    return words._replace(**changes)


def windows_db(words, readings):
    return (run_twin(words, CODES, np.asarray(readings)).states[:, 1] - START) / LEVEL_UNITS_PER_DB


def test_window_rises_and_falls_at_the_stated_speed():
    control = AutoLevel(rise_db_s=10.0, fall_db_s=0.5, down_db=20.0, up_db=20.0)
    up = windows_db(words_of(control), np.full(1500, 65_535))
    assert (up[1200] - up[200]) == pytest.approx(10.0, rel=0.02)
    down = windows_db(words_of(control), np.zeros(11_000, np.int64))
    assert (down[10_500] - down[500]) == pytest.approx(-0.5 * 10.0, rel=0.06)


def test_achieved_speeds_are_what_adapt_words_says():
    for rate_hz in (100.0, 1000.0, 4000.0):
        found = adapt_words(AutoLevel(), rate_hz)
        words = words_of(AutoLevel(), rate_hz)
        moved = windows_db(words, np.zeros(found.every * 200, np.int64))
        assert moved[-1] == pytest.approx(-found.fall_db_s * found.every * 200 / rate_hz, abs=1e-9)
        assert found.rise_db_s == pytest.approx(10.0, rel=0.05)
        assert found.fall_db_s == pytest.approx(0.5, rel=0.35)


def test_window_stops_at_both_ends():
    control = AutoLevel(rise_db_s=50.0, fall_db_s=50.0, down_db=9.0, up_db=6.0)
    step_db = adapt_words(control, 1000.0).rise / LEVEL_UNITS_PER_DB
    up = windows_db(words_of(control), np.full(3000, 65_535))
    assert 6.0 - 1e-3 <= up.max() < 6.0 + step_db
    assert up[-1] == up.max()
    down = windows_db(words_of(control), np.zeros(3000, np.int64))
    assert -9.0 + 1e-3 >= down.min() > -9.0 - step_db
    assert down[-1] == down.min()


def test_ceiling_settles_where_the_level_is_above_it_for_fall_over_rise_plus_fall():
    # Balance of a tracker that steps by sign: P(above)*rise = P(below)*fall.
    control = AutoLevel(rise_db_s=4.0, fall_db_s=1.0, down_db=40.0, up_db=20.0)
    rng = np.random.default_rng(5)
    readings = (2.0 ** rng.uniform(12, 15, 200_000)).astype(np.int64)
    words = words_of(control)._replace(attack_factor=65_535, attack_fraction=16, release_factor=65_535,
                                       release_fraction=16)  # fmt: skip
    trace = run_twin(words, CODES, readings)
    above = (trace.duty[50_000:] == 65_535).mean()
    assert above == pytest.approx(words.window_fall / (words.window_rise + words.window_fall), abs=0.02)


@pytest.mark.parametrize("loudness_db", [-26.0, -6.0])
def test_rehearsal_and_street_both_use_the_whole_range(loudness_db):
    # 20 dB lie between rehearsal and street (72 and 92 dB SPL): both must reach dark and full light.
    t = np.arange(120_000) / 1000.0
    beats = np.exp(-((t % 0.5) / 0.08)) * 10 ** (loudness_db / 20)
    readings = justify(np.floor(1023 * beats).astype(np.int64), 10)
    duty = run_twin(words_of(AutoLevel(down_db=30.0, up_db=30.0)), CODES, readings).duty[60_000:]
    assert duty.max() >= 0.95 * 65_535
    assert np.quantile(duty, 0.05) <= 0.35 * 65_535
    still = run_twin(words_of(None), CODES, readings).duty[60_000:]
    assert (still.max() >= 0.95 * 65_535) == (loudness_db == -6.0)


def test_noise_creeps_up_under_a_steady_sound_and_drops_at_once():
    control = AutoLevel(down_db=0.0, up_db=0.0, noise_rise_db_s=2.0, noise_most_db=6.0)
    loud = 1 << 11
    trace = run_twin(words_of(control), CODES, np.concatenate([np.full(2000, loud), np.zeros(800, np.int64)]))
    noise_db = trace.states[:, 2] / LEVEL_UNITS_PER_DB
    assert noise_db[1500] - noise_db[500] == pytest.approx(
        adapt_words(control, 1000.0).noise_rise_db_s, rel=0.03
    )
    assert noise_db[-1] < 0.3
    steady = run_twin(words_of(control), CODES, np.full(20_000, loud)).states[-1, 2]
    assert 6.0 <= steady / LEVEL_UNITS_PER_DB < 6.0 + 0.6


@pytest.mark.parametrize(
    ("step_db", "within"), [(20 * math.log10(2), 40), (3.0, 0.52 * LEVEL_UNITS_PER_DB * 65_535 / RANGE)]
)
def test_each_offset_step_is_worth_its_decibels(step_db, within):
    # One step more sound at one step less must give the same light: exactly so for a whole octave, within
    # 0.52 dB for any other step, since a level runs straight within its octave.
    steps = OffsetSteps(7, step_db, 3 * step_db)
    step = level_units(steps.step_db)
    words = words_of(None)._replace(window_least_sensitive=START + 3 * step, offset_step=step, offset_steps=7)
    sound = 1 << 12

    def light(reading: float, chosen: int) -> int:
        offsets = np.full(2000, -1)
        offsets[0] = chosen
        return int(run_twin(words, CODES, np.full(2000, round(reading)), offsets=offsets).duty[-1])

    for chosen in range(1, 7):
        assert light(sound, chosen) == pytest.approx(
            light(sound * 10 ** (step_db / 20), chosen - 1), abs=within
        )
    assert light(sound, steps.design_step) == run_twin(words, CODES, np.full(2000, sound)).duty[-1]
    assert light(sound, 200) == light(sound, 6)


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: AutoLevel(rise_db_s=0.0), "rise_db_s"),
        (lambda: AutoLevel(fall_db_s=1e9), "fall_db_s"),
        (lambda: AutoLevel(down_db=-1.0), "down_db"),
        (lambda: AutoLevel(noise_most_db=50.0), "noise_most_db"),
        (lambda: OffsetSteps(0), "steps"),
        (lambda: OffsetSteps(2.5), "steps"),
        (lambda: OffsetSteps(3, 0.0), "step_db"),
        (lambda: OffsetSteps(3, 3.0, 100.0), "least_db"),
        (lambda: adapt_words(AutoLevel(), 0.0), "rate_hz"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name
