"""The fixed-point twin: no stall, true to the float follower, honest about what it achieves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples

from envlab.digital import fixed_kernels as kernels
from envlab.digital.fixed_point import (
    FixedFollower,
    Gate,
    fixed_coefficient,
    fixed_follower,
    float_envelope,
    justify,
    level_of,
    level_units,
    run_twin,
    word_of,
)
from envlab.digital.fixed_words import FixedState, FixedWords, check_words
from envlab.digital.followers import AttackRelease, MeanSquare, OnePole, PassThrough
from envlab.errors import ParameterError

TABLE = np.append(np.arange(0, 65_536, 257), 65_535)
PLAIN = FixedWords(
    zero_start=0, zero_least=0, zero_most=0, zero_reach=0, zero_still=0, zero_rise=0, zero_fall=0,
    zero_block_bits=8, attack_factor=1000, attack_fraction=16, release_factor=1000, release_fraction=16,
    level_index=0, range_level=0, automatic=0, adapt_every=2, judge_every=1, window_start=0, window_least=0,
    window_most=0, window_rise=0, window_fall=0, window_step=0, full_most=0, patience=1, window_band=0,
    window_aim=0, sound_level=0, noise_most=0, noise_rise=0, gate_open=0, gate_close=0, mute_frames=1,
    fade_step=65_535, base_duty=0, dim=65_535, window_least_sensitive=0, offset_step=0, offset_steps=1,
)  # fmt: skip
START = kernels.start(PLAIN)


def words_of(follower: FixedFollower, **changes) -> FixedWords:
    attack, release = follower.attack, follower.release
    return PLAIN._replace(
        attack_factor=attack.factor, attack_fraction=attack.fraction,
        release_factor=release.factor, release_fraction=release.fraction, **changes,
    )  # fmt: skip


LOW = FixedState._fields.index("envelope_low")


def envelope(words: FixedWords, readings, state=None):
    trace = run_twin(words, TABLE, np.asarray(readings), state=state)
    return trace.envelope, trace.end


@pytest.mark.parametrize("time_s", [0.0001, 0.001, 0.0156, 0.1, 1.0, 5.0, 30.0])
@pytest.mark.parametrize("target", [1, 2, 64, 40_000, 65_472, 65_535])
def test_no_stall_either_way_up_to_30_s(time_s, target):
    # A state of 16 bit stalls up to 2**k - 1 short, with y += (x - y) >> k: derived by hand.
    words = words_of(FixedFollower(time_s, time_s))
    steps = int(1000 * time_s * 13) + 200_000
    rising, end = envelope(words, np.full(steps, target))
    assert rising[-1] == target
    falling, _ = envelope(words, np.zeros(steps, np.int64), end)
    assert falling[-1] == 0
    assert (np.diff(rising) >= 0).all()
    assert (np.diff(falling) <= 0).all()


@pytest.mark.parametrize("attack_s", [0.0002, 0.004, 0.3, 30.0])
@pytest.mark.parametrize("release_s", [0.001, 0.2, 5.0, 30.0])
def test_never_under_the_float_follower_and_less_than_one_over(attack_s, release_s):
    follower = FixedFollower(attack_s, release_s)
    rng = np.random.default_rng(3)
    held = np.repeat(rng.integers(0, 65_536, 100), rng.integers(1, 2000, 100))
    noisy = rng.integers(0, 65_536, 50_000)
    readings = np.concatenate([held, noisy, np.zeros(30_000, np.int64)])
    trace = run_twin(words_of(follower), TABLE, readings)
    # Compare the whole state, 24 bits behind the point; the float side rounds at 2**-36 of full scale.
    state = trace.states[:, 0] / 65_536 + trace.states[:, LOW] / (1 << 24)
    expected = float_envelope(readings.astype(float), follower.attack, follower.release)
    difference = state - expected
    assert difference.min() > -1e-6
    assert difference.max() < 1.0


@pytest.mark.parametrize("rate_hz", [100.0, 1000.0, 8000.0])
def test_achieved_time_constants_are_within_the_promised_error(rate_hz):
    # Promise: 2 % up to 5 s and 10 % up to 30 s; the format does far better.
    for time_s in np.geomspace(1.2 / rate_hz, 30.0, 2000):
        found = fixed_coefficient(float(time_s), rate_hz)
        assert abs(found.error) <= (0.003 if time_s <= 5 else 0.01)


@pytest.mark.parametrize("time_s", [0.005, 0.3, 5.0, 30.0])
def test_the_twin_really_has_the_achieved_time_constant(time_s):
    follower = FixedFollower(time_s, time_s)
    falling, _ = envelope(
        words_of(follower), np.zeros(int(4000 * time_s), np.int64), START._replace(envelope=60_000 << 16)
    )
    # One time constant later 1/e is left: closed form of a single pole.
    at = np.interp(-60_000 / math.e, -falling, np.arange(1, len(falling) + 1)) / 1000.0
    assert at == pytest.approx(follower.release.achieved_s, rel=2e-3, abs=6e-4)
    assert at == pytest.approx(time_s, rel=0.02 if time_s <= 5 else 0.1, abs=6e-4)


def test_worked_coefficient():
    # 8 kHz, 5 ms: 1 - exp(-1/40) = 0.0246900880 (computed to ten digits outside the project).
    found = fixed_coefficient(0.005, 8000.0)
    assert (found.factor, found.fraction) == (round(0.0246900880 * 65_536), 16)
    slow = fixed_coefficient(30.0, 1000.0)
    assert (slow.factor, slow.fraction) == (559, 24)


def test_level_is_the_top_bit_and_what_follows_it():
    words = np.arange(65_536)
    levels = np.array([kernels.level(int(w)) for w in words])
    assert (levels[:2] == 0).all()
    assert (np.diff(levels) >= 0).all()
    assert levels[-1] <= 65_535
    assert [kernels.level(1 << k) for k in range(1, 16)] == [4096 * k for k in range(1, 16)]
    # max of log2(1 + f) - f is lb(1/ln 2) - (1/ln 2 - 1) = 0.0861 octave (closed form); a unit is cut off.
    worst_octave = math.log2(1 / math.log(2)) - (1 / math.log(2) - 1)
    under = np.log2(words[2:]) - levels[2:] / 4096
    assert under.min() >= -1e-9
    assert under.max() == pytest.approx(worst_octave, abs=1.1 / 4096)
    assert worst_octave * 20 * math.log10(2) == pytest.approx(0.518, abs=1e-3)


def test_level_and_word_are_inverses():
    for word in (1.0, 2.0, 3.7, 255.9, 40_000.0, 65_536.0):
        assert word_of(level_of(word)) == pytest.approx(word, rel=1e-12)
    for word in (2, 100, 4096, 65_535):
        assert math.floor(level_of(word)) == kernels.level(word)


def test_look_up_reaches_every_entry_and_rounds_half_up():
    table = np.array([0, 100, 101, 65_535, 65_535])
    assert [kernels.between(table, 256 * i) for i in range(4)] == [0, 100, 101, 65_535]
    assert kernels.between(table, 128) == 50
    assert kernels.between(table, 256 + 127) == 100
    assert kernels.between(table, 256 + 128) == 101
    positions = np.arange(4 * 256)
    exact = np.interp(positions / 256, np.arange(5), table)
    found = np.array([kernels.between(table, int(p)) for p in positions])
    np.testing.assert_array_equal(found, np.floor(exact + 0.5))


def test_scale_keeps_a_value_at_full_factor_and_never_rounds_up():
    rng = np.random.default_rng(0)
    for value, factor in rng.integers(0, 65_536, (2000, 2)).tolist():
        assert kernels.scale(value, factor) == value * (factor + 1) // 65_536
    assert kernels.scale(65_535, 65_535) == 65_535
    assert kernels.scale(1, 65_534) == 0


@pytest.mark.parametrize(
    ("follower", "times"),
    [
        (PassThrough(), (1 / 8000, 1 / 8000)),
        (OnePole(0.2), (0.2, 0.2)),
        (AttackRelease(0.0, 0.3), (1 / 8000, 0.3)),
        (AttackRelease(0.01, 0.3), (0.01, 0.3)),
    ],
)
def test_float_followers_have_a_fixed_one(follower, times):
    found = fixed_follower(follower, 1000.0)
    assert (found.attack_s, found.release_s) == times


def test_no_follower_is_within_a_count_at_once():
    words = words_of(fixed_follower(PassThrough(), 1000.0))
    readings = justify(np.random.default_rng(2).integers(0, 1024, 5000), 10)
    assert np.abs(envelope(words, readings)[0] - readings).max() <= 32


def test_gate_has_hysteresis():
    words = PLAIN._replace(
        attack_factor=65_535, release_factor=65_535, gate_open=2000, gate_close=1000, base_duty=7
    )
    held = np.repeat([0, 1500, 2500, 1500, 900, 1500], 40)
    duty = run_twin(words, TABLE, held).duty.reshape(6, 40)[:, -1]
    shut = duty == 7
    np.testing.assert_array_equal(shut, [True, True, False, False, True, True])


def test_two_runs_equal_one():
    rng = np.random.default_rng(1)
    readings = rng.integers(0, 65_536, 3000)
    words = words_of(FixedFollower(0.01, 0.3))
    whole = run_twin(words, TABLE, readings)
    first = run_twin(words, TABLE, readings[:1234])
    second = run_twin(words, TABLE, readings[1234:], state=first.end)
    np.testing.assert_array_equal(np.concatenate([first.states, second.states]), whole.states)
    np.testing.assert_array_equal(np.concatenate([first.duty, second.duty]), whole.duty)
    assert second.end == whole.end


@examples(60)
@given(
    st.integers(0, 65_535), st.integers(0, (1 << 32) - 1), st.integers(0, 255), st.integers(1, 65_535),
    st.sampled_from([16, 24]), st.integers(0, 65_535),
)  # fmt: skip
def test_compiled_twin_equals_plain_integers(reading, held, low, factor, fraction, zero):
    words = PLAIN._replace(
        attack_factor=factor,
        attack_fraction=fraction,
        release_factor=factor,
        release_fraction=fraction,
        zero_start=zero,
        zero_least=zero,
        zero_most=zero,
    )
    state = kernels.start(words)._replace(envelope=held, envelope_low=low)
    found = kernels.follow(words, state, reading)
    target, now = max(reading - zero, 0), held >> 16
    # Exact rationals by Python's own integers: the state moves by the product, nothing is lost.
    whole = held * 256 + low + (target - now) * factor * 2 ** (24 - fraction)
    assert (found.envelope, found.envelope_low) == (whole // 256, whole % 256)
    assert 0 <= whole < 1 << 40
    assert kernels.level.py_func(reading) == kernels.level(reading)


def test_justify_shifts_up_and_refuses_what_no_adc_gives():
    np.testing.assert_array_equal(justify(np.array([0, 1, 1023]), 10), [0, 64, 65_472])
    for counts, bits, name in [([1024], 10, "counts"), ([-1], 10, "counts"), ([0], 5, "adc_bits")]:
        with pytest.raises(ParameterError) as caught:
            justify(np.array(counts), bits)
        assert caught.value.name == name


def test_level_units_per_decibel():
    # One octave of amplitude is 20 lg 2 = 6.0206 dB and 4096 units.
    assert level_units(20 * math.log10(2)) == 4096
    assert level_units(3.0) == 2041


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: fixed_coefficient(0.0, 1000.0), "time_s"),
        (lambda: fixed_coefficient(0.00005, 1000.0), "time_s"),
        (lambda: fixed_coefficient(40_000.0, 1000.0), "time_s"),
        (lambda: fixed_coefficient(0.1, -1.0), "rate_hz"),
        (lambda: FixedFollower(0.1, 40_000.0), "release_s"),
        (lambda: FixedFollower(1e-6, 1.0), "attack_s"),
        (lambda: fixed_follower(MeanSquare(0.1), 1000.0), "follower"),
        (lambda: fixed_follower(PassThrough(), 0.0), "rate_hz"),
        (lambda: Gate(1.0, 2.0), "close_db"),
        (lambda: Gate(-1.0, 0.0), "open_db"),
        (lambda: run_twin(PLAIN, TABLE, np.array([65_536])), "readings"),
        (lambda: run_twin(PLAIN, TABLE, np.array([1, 2]), offsets=np.array([1])), "offsets"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name


@pytest.mark.parametrize(
    ("changes", "entries", "name"),
    [
        ({"dim": 65_536}, 257, "dim"),
        ({"zero_start": -1}, 257, "zero_start"),
        ({"attack_factor": 0}, 257, "attack_factor"),
        ({"release_fraction": 20}, 257, "release_fraction"),
        ({"gate_close": 1}, 257, "gate_close"),
        ({"automatic": 1}, 257, "automatic"),
        ({}, 256, "entries"),
        ({"level_index": 1, "range_level": 2560}, 11, "entries"),
        ({"offset_steps": 0}, 257, "offset_steps"),
        ({"offset_steps": 256}, 257, "offset_steps"),
        (
            {"level_index": 1, "offset_steps": 3, "offset_step": 10, "window_least_sensitive": 19},
            9,
            "offset_step",
        ),
        ({"level_index": 1, "automatic": 1, "window_least": 1}, 9, "window_start"),
        ({"level_index": 1, "automatic": 1, "window_start": 1}, 9, "window_start"),
        ({"level_index": 1, "automatic": 1, "window_least_sensitive": 1}, 9, "window_least_sensitive"),
        (
            {"level_index": 1, "automatic": 1, "window_start": 5, "window_least": 5, "window_most": 9},
            9,
            "offset_steps",
        ),
        ({"level_index": 1, "automatic": 1, "window_band": 1}, 9, "window_band"),
        ({"level_index": 1, "automatic": 1, "range_level": 256, "window_aim": 1}, 9, "window_aim"),
        ({"level_index": 1, "automatic": 1, "adapt_every": 1}, 9, "adapt_every"),
        ({"level_index": 1, "automatic": 1, "judge_every": 0}, 9, "judge_every"),
        ({"level_index": 1, "automatic": 1, "patience": 0}, 9, "patience"),
        ({"patience": 256}, 257, "patience"),
        ({"mute_frames": 0}, 257, "mute_frames"),
        ({"fade_step": 0}, 257, "fade_step"),
        ({"zero_block_bits": 3}, 257, "zero_block_bits"),
        ({"zero_block_bits": 16}, 257, "zero_block_bits"),
        ({"zero_start": 1}, 257, "zero_start"),
        ({"zero_least": 1}, 257, "zero_least"),
        ({"zero_most": 65_000, "zero_reach": 535}, 257, "zero_most"),
        ({"zero_rise": 65_281}, 257, "zero_rise"),
        ({"zero_fall": 65_281}, 257, "zero_fall"),
        ({"gate_open": 60_000, "noise_most": 5000, "noise_rise": 600}, 257, "noise_most"),
    ],
)
def test_words_that_would_overflow_on_a_small_machine_are_refused(changes, entries, name):
    with pytest.raises(ParameterError) as caught:
        check_words(PLAIN._replace(**changes), entries)
    assert caught.value.name == name
