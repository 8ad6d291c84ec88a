"""The brightness window moves at the speeds it says, stops where it must, and finds quiet and loud alike."""

from __future__ import annotations

import math

import numpy as np
import pytest

from envlab.digital import fixed_kernels as kernels
from envlab.digital.auto_level import AutoLevel, OffsetSteps, adapt_words, converter_floor_counts
from envlab.digital.fixed_point import (
    LEVEL_UNITS_PER_DB,
    FixedFollower,
    awake_state,
    justify,
    level_units,
    run_twin,
    word_of,
)
from envlab.digital.fixed_words import FixedState, FixedWords
from envlab.errors import ParameterError

SEGMENTS = 60
RANGE = SEGMENTS * 256
CODES = np.append(np.linspace(0, 65_535, SEGMENTS + 1).astype(np.int64), 65_535)
START = 40_000
WINDOW, NOISE = (FixedState._fields.index(name) for name in ("window", "noise"))


def words_of(control: AutoLevel | None, rate_hz: float = 1000.0, **changes) -> FixedWords:
    fast = FixedFollower(0.001, 0.05)
    words = FixedWords(
        zero_start=0, zero_least=0, zero_most=0, zero_reach=0, zero_still=0, zero_rise=0, zero_fall=0,
        zero_block_bits=8, attack_factor=fast.attack.factor, attack_fraction=fast.attack.fraction,
        release_factor=fast.release.factor, release_fraction=fast.release.fraction, level_index=1,
        range_level=RANGE, automatic=0, adapt_every=2, judge_every=1, window_start=START, window_least=START,
        window_most=START, window_rise=0, window_fall=0, window_step=0, full_most=0, patience=1,
        window_band=0, window_aim=0, sound_level=0, noise_most=0, noise_rise=0, gate_open=0, gate_close=0,
        mute_frames=1, fade_step=65_535, base_duty=0, dim=65_535, window_least_sensitive=START,
        offset_step=0, offset_steps=1,
    )  # fmt: skip
    if control is not None:
        found = adapt_words(control, rate_hz)
        words = words._replace(
            automatic=1, adapt_every=found.every, judge_every=found.judge_every, full_most=found.full_most,
            patience=found.patience, window_rise=found.rise, window_fall=found.fall,
            window_step=level_units(control.step_db), window_band=level_units(control.band_db),
            window_aim=level_units(control.aim_db), sound_level=4 * 4096, noise_rise=found.noise_rise,
            noise_most=level_units(control.noise_most_db), window_least=START - level_units(control.down_db),
            window_most=START + level_units(control.up_db),
        )  # fmt: skip
    return words._replace(**changes)


def windows_db(words, readings, state=None):
    trace = run_twin(words, CODES, np.asarray(readings), state=state or awake_state(words))
    return (trace.states[:, WINDOW] - START) / LEVEL_UNITS_PER_DB


def reading_db(under_ceiling_db: float) -> int:
    """Return the reading whose level is so many dB under the ceiling of the window at its start."""
    return round(word_of(START + RANGE - level_units(under_ceiling_db)))


LOUD, SILENT = 65_535, 0


def test_a_shout_is_borne_and_what_lasts_longer_raises_the_window_step_by_step():
    control = AutoLevel(down_db=20.0, up_db=20.0, step_db=2.0, patience_s=4.0, rise_db_s=50.0)
    shout = np.concatenate([np.full(3000, LOUD), np.full(3000, reading_db(1.0))])
    assert not windows_db(words_of(control), np.tile(shout, 4)).any()
    long = windows_db(words_of(control), np.full(8000, LOUD))
    assert not long[:4500].any()
    at_the_ends_of_judgements = long[[5500, 6500, 7500]]
    np.testing.assert_allclose(np.diff(at_the_ends_of_judgements), 2.0, atol=0.02)


def test_it_moves_at_the_stated_speed_and_no_faster():
    control = AutoLevel(rise_db_s=4.0, fall_db_s=5.0, down_db=30.0, up_db=12.0, step_db=6.0)
    words = words_of(control)
    up = windows_db(words, np.full(20_000, LOUD))
    assert np.diff(up[::1000]).max() == pytest.approx(adapt_words(control, 1000.0).rise_db_s, rel=0.03)
    down = windows_db(words, np.full(20_000, reading_db(28.0)))
    assert -np.diff(down[::1000]).min() == pytest.approx(adapt_words(control, 1000.0).fall_db_s, rel=0.03)


def test_peaks_far_under_the_ceiling_let_it_down_until_they_are_where_they_are_to_be():
    control = AutoLevel(down_db=40.0, band_db=12.0, aim_db=8.0)
    down = windows_db(words_of(control), np.full(20_000, reading_db(20.0)))
    assert down[-1] == pytest.approx(-12.0, abs=0.02)
    held = windows_db(words_of(control), np.full(20_000, reading_db(11.9)))
    assert not held.any()


def test_gaps_between_beats_do_not_let_it_down():
    control = AutoLevel(down_db=40.0)
    beats = np.where(np.arange(60_000) % 1900 < 100, reading_db(2.0), reading_db(30.0))
    assert not windows_db(words_of(control), beats).any()


def test_silence_leaves_a_low_window_and_brings_a_high_one_back():
    control = AutoLevel(down_db=40.0, up_db=20.0)
    quiet = np.zeros(60_000, np.int64)
    low = windows_db(words_of(control), np.concatenate([np.full(9000, reading_db(20.0)), quiet]))
    assert low[-1] == low[9000] == pytest.approx(-12.0, abs=0.02)
    high = windows_db(words_of(control), np.concatenate([np.full(12_000, LOUD), quiet]))
    assert high[12_000] > 6.0
    assert high[-1] == 0.0
    # Silence is borne as long as a shout: a rest in the music is no reason to move.
    assert high[12_000 + 3000] == high[12_000 + 100]


def test_while_muted_it_is_there_at_once():
    control = AutoLevel(down_db=40.0, up_db=20.0)
    words = words_of(control, mute_frames=2200)
    start = kernels.start(words)
    loud_db = (kernels.level(LOUD) - START - RANGE) / LEVEL_UNITS_PER_DB
    assert windows_db(words, np.full(2300, LOUD), start)[-1] == pytest.approx(loud_db, abs=0.01)
    quiet = windows_db(words, np.full(2300, reading_db(20.0)), start)
    assert quiet[-1] == pytest.approx(-12.0, abs=0.02)


def test_achieved_speeds_are_what_adapt_words_says():
    for rate_hz in (10.0, 100.0, 1000.0, 4000.0):
        found = adapt_words(AutoLevel(), rate_hz)
        assert found.rise_db_s == pytest.approx(6.0, rel=0.05)
        assert found.fall_db_s == pytest.approx(6.0, rel=0.05)
        assert found.judge_s == pytest.approx(1.0, rel=0.05)
        assert 2 <= found.every <= 255
        assert found.patience == 4


def test_window_stops_at_both_ends():
    control = AutoLevel(rise_db_s=50.0, fall_db_s=50.0, down_db=9.0, up_db=3.0)
    up = windows_db(words_of(control), np.full(20_000, LOUD))
    assert up[-1] == up.max() == level_units(3.0) / LEVEL_UNITS_PER_DB
    down = windows_db(words_of(control), np.full(20_000, reading_db(40.0)))
    assert down[-1] == down.min() == -level_units(9.0) / LEVEL_UNITS_PER_DB


@pytest.mark.parametrize("loudness_db", [-26.0, -6.0])
def test_rehearsal_and_street_both_use_the_whole_range(loudness_db):
    # 20 dB lie between rehearsal and street (72 and 92 dB SPL): both must reach dark and full light.
    t = np.arange(120_000) / 1000.0
    beats = np.exp(-((t % 0.5) / 0.08)) * 10 ** (loudness_db / 20)
    readings = justify(np.floor(1023 * beats).astype(np.int64), 10)
    duty = run_twin(words_of(AutoLevel(down_db=30.0, up_db=30.0)), CODES, readings).duty[60_000:]
    # The ceiling, or aim_db of 8 under it in a window of 22.6 dB.
    assert duty.max() >= (1 - 8 / 22.6 - 0.01) * 65_535
    assert np.quantile(duty, 0.05) <= 0.35 * 65_535
    still = run_twin(words_of(None), CODES, readings).duty[60_000:]
    assert (still.max() >= 0.6 * 65_535) == (loudness_db == -6.0)


def test_noise_creeps_up_under_a_steady_sound_and_drops_at_once():
    control = AutoLevel(down_db=0.0, up_db=0.0, noise_rise_db_s=2.0, noise_most_db=6.0)
    loud = 1 << 11
    trace = run_twin(words_of(control), CODES, np.concatenate([np.full(2000, loud), np.zeros(800, np.int64)]))
    noise_db = trace.states[:, NOISE] / LEVEL_UNITS_PER_DB
    assert noise_db[1500] - noise_db[500] == pytest.approx(
        adapt_words(control, 1000.0).noise_rise_db_s, rel=0.03
    )
    assert noise_db[-1] < 0.3
    steady = run_twin(words_of(control), CODES, np.full(20_000, loud)).states[-1, NOISE]
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
        (lambda: AutoLevel(judge_s=0.0), "judge_s"),
        (lambda: AutoLevel(patience_s=0.5), "patience_s"),
        (lambda: AutoLevel(full_share=1.5), "full_share"),
        (lambda: AutoLevel(step_db=0.0), "step_db"),
        (lambda: AutoLevel(band_db=41.0), "band_db"),
        (lambda: AutoLevel(aim_db=13.0), "aim_db"),
        (lambda: converter_floor_counts(-1.0), "noise_lsb"),
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
