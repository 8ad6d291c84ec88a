"""Followers against published meter dynamics, scipy's filter, closed forms, and themselves cut in two."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.examples import examples
from scipy.ndimage import maximum_filter1d
from scipy.signal import lfilter

from envlab.digital.followers import (
    AttackRelease,
    MeanSquare,
    MovingMaximum,
    MovingMean,
    OnePole,
    PassThrough,
    PeakHold,
    coefficient,
    follow,
)
from envlab.errors import ParameterError

EVERY_FOLLOWER = [
    PassThrough(),
    OnePole(0.02),
    AttackRelease(0.005, 0.2),
    PeakHold(0.03, 0.1),
    MeanSquare(0.125),
    MovingMaximum(0.05),
    MovingMean(0.05),
]
METER_RATES_HZ = [32_000.0, 44_100.0, 48_000.0]

# IEC 61672-1:2013, Table 4: reference 4 kHz toneburst response, dB relative to the steady level, with the
# acceptance limits of class 1 (read in a public transcription).
FAST_BURSTS = [
    (1000, 0.0, 0.5, 0.5), (500, -0.1, 0.5, 0.5), (200, -1.0, 0.5, 0.5), (100, -2.6, 1.0, 1.0),
    (50, -4.8, 1.0, 1.0), (20, -8.3, 1.0, 1.0), (10, -11.1, 1.0, 1.0), (5, -14.1, 1.0, 1.0),
    (2, -18.0, 1.0, 1.5), (1, -21.0, 1.0, 2.0), (0.5, -24.0, 1.0, 2.5), (0.25, -27.0, 1.0, 3.0),
]  # fmt: skip
SLOW_BURSTS = [
    (1000, -2.0), (500, -4.1), (200, -7.4), (100, -10.2), (50, -13.1), (20, -17.0), (10, -20.0),
    (5, -23.0), (2, -27.0),
]  # fmt: skip


def burst(frequency_hz: float, burst_s: float, total_s: float, rate_hz: float) -> np.ndarray:
    t = np.arange(round(total_s * rate_hz)) / rate_hz
    return np.where(t < burst_s, np.sin(2 * np.pi * frequency_hz * t), 0.0)


def level_db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


@pytest.mark.parametrize("rate_hz", METER_RATES_HZ)
@pytest.mark.parametrize(("burst_ms", "expected_db", "over_db", "under_db"), FAST_BURSTS)
def test_fast_weighting_meets_the_burst_table(rate_hz, burst_ms, expected_db, over_db, under_db):
    signal = burst(4000.0, burst_ms / 1000, burst_ms / 1000 + 0.05, rate_hz)
    held, _ = follow(signal, MeanSquare(0.125), rate_hz=rate_hz)
    reading_db = level_db(held.max() * math.sqrt(2))
    assert expected_db - under_db <= reading_db <= expected_db + over_db
    # The table is printed to 0.1 dB and the 8 kHz ripple of the square is under 0.02 dB for either weighting.
    assert reading_db == pytest.approx(10 * math.log10(-math.expm1(-burst_ms / 125)), abs=0.03)
    assert reading_db == pytest.approx(expected_db, abs=0.08)


@pytest.mark.parametrize("rate_hz", METER_RATES_HZ)
@pytest.mark.parametrize(("burst_ms", "expected_db"), SLOW_BURSTS)
def test_slow_weighting_meets_the_burst_table(rate_hz, burst_ms, expected_db):
    signal = burst(4000.0, burst_ms / 1000, burst_ms / 1000 + 0.05, rate_hz)
    held, _ = follow(signal, MeanSquare(1.0), rate_hz=rate_hz)
    assert level_db(held.max() * math.sqrt(2)) == pytest.approx(expected_db, abs=0.08)


@pytest.mark.parametrize(
    ("follower", "expected_db_s"),
    [
        # IEC 61672-1:2013: decay of F 34.7 dB/s and of S 4.3 dB/s, printed to 0.1 (public transcription).
        (MeanSquare(0.125), 34.7),
        (MeanSquare(1.0), 4.3),
        # A pole on the magnitude falls 20/ln(10)/tau dB per second (closed form).
        (OnePole(0.125), 69.49),
        (AttackRelease(0.001, 1.0), 8.686),
        (PeakHold(0.0, 0.5), 17.372),
    ],
)
@pytest.mark.parametrize("rate_hz", [100.0, 1000.0, 48_000.0])
def test_decay_in_db_per_second(follower, expected_db_s, rate_hz):
    step = np.concatenate([np.ones(int(rate_hz)), np.zeros(int(rate_hz))])
    held, _ = follow(step, follower, rate_hz=rate_hz)
    first, last = held[int(1.2 * rate_hz)], held[int(1.7 * rate_hz)]
    assert level_db(first / last) / 0.5 == pytest.approx(expected_db_s, abs=0.05)


def meter_readings_db(follower, bursts, rate_hz=192_000.0):
    """Largest reading of each burst, dB relative to the steady reading of the same tone."""
    readings = []
    for frequency_hz, burst_s in bursts:
        steady, _ = follow(np.abs(burst(frequency_hz, 1.0, 1.0, rate_hz)), follower, rate_hz=rate_hz)
        short, _ = follow(
            np.abs(burst(frequency_hz, burst_s, burst_s + 0.01, rate_hz)), follower, rate_hz=rate_hz
        )
        readings.append(level_db(short.max() / steady[-round(0.01 * rate_hz) :].max()))
    return readings


# [IEC60268-10], Type II: burst length, reading and tolerance (public transcription; tolerances partly from
# memory), and a return of 24 dB in 2.8 +- 0.3 s, hence the release below by 8.686 dB per time constant.
TYPE_II_BURSTS = [(5000.0, 0.010), (5000.0, 0.005), (5000.0, 0.0015), (10_000.0, 0.0005)]
TYPE_II_DB = [(-2.0, 0.5), (-4.0, 0.75), (-9.0, 1.0), (-17.0, 2.0)]
TYPE_II_RELEASE_S = 2.8 * 8.685890 / 24.0


def test_attack_release_meets_the_type_ii_broadcast_meter():
    def worst(attack_s: float) -> float:
        readings = meter_readings_db(AttackRelease(attack_s, TYPE_II_RELEASE_S), TYPE_II_BURSTS)
        return max(abs(r - e) / t for r, (e, t) in zip(readings, TYPE_II_DB, strict=True))

    attacks_s = np.geomspace(0.0002, 0.01, 24)
    found_s = float(min(attacks_s, key=worst))
    assert worst(found_s) <= 1.0
    # The usual rule of burst over 1.58 (10 ms at 2 dB) misses the table: a rectified sine is no step.
    assert worst(0.010 / 1.58) > 1.0


def test_type_ii_release_returns_24_db_in_2_8_s():
    rate_hz = 1000.0
    step = np.concatenate([np.ones(5000), np.zeros(4000)])
    held, _ = follow(step, AttackRelease(0.002, TYPE_II_RELEASE_S), rate_hz=rate_hz)
    fallen = np.flatnonzero(20 * np.log10(held[5000:] / held[4999]) <= -24.0)[0]
    assert fallen / rate_hz == pytest.approx(2.8, abs=0.002)


def test_one_pole_can_meet_the_vu_rise_but_not_its_overshoot():
    # [IEC60268-17]: 99 % at 300 ms and an overshoot of 1 to 1.5 %. One pole has the first with
    # tau = 300 ms / ln(100) and can never have the second.
    rate_hz = 8000.0
    held, _ = follow(np.ones(8 * 8000), OnePole(0.3 / math.log(100)), rate_hz=rate_hz)
    assert held[round(0.3 * rate_hz) - 1] == pytest.approx(0.99, abs=1e-9)
    assert held.max() <= 1.0


def test_coefficient_is_the_exact_one():
    # Worked value: 8 kHz, 5 ms (computed to ten digits outside the project).
    assert coefficient(0.005, 8000.0) == pytest.approx(0.0246900880, abs=5e-11)
    assert coefficient(0.0, 8000.0) == 1.0
    # 10-90 % rise is ln(9) time constants.
    held, _ = follow(np.ones(100_000), OnePole(0.1), rate_hz=100_000.0)
    rise_s = (np.argmax(held >= 0.9) - np.argmax(held >= 0.1)) / 100_000.0
    assert rise_s == pytest.approx(0.1 * 2.197225, abs=2e-5)


@pytest.mark.parametrize("time_s", [0.0003, 0.01, 2.0])
def test_one_pole_equals_scipy_lfilter(time_s):
    x = np.random.default_rng(1).standard_normal(20_000)
    a = -math.expm1(-1 / (1000.0 * time_s))
    held, end = follow(x, OnePole(time_s), rate_hz=1000.0)
    expected, memory = lfilter([a], [1.0, a - 1.0], x, zi=[0.0])
    np.testing.assert_allclose(held, expected, rtol=0, atol=1e-12)
    assert end[0] * (1 - a) == pytest.approx(memory[0], abs=1e-12)


def test_mean_square_equals_scipy_lfilter_on_the_square():
    x = np.random.default_rng(2).standard_normal(20_000)
    a = -math.expm1(-1 / (1000.0 * 0.125))
    held, _ = follow(x, MeanSquare(0.125), rate_hz=1000.0)
    np.testing.assert_allclose(held, np.sqrt(lfilter([a], [1.0, a - 1.0], x * x)), rtol=1e-11, atol=1e-12)


@pytest.mark.parametrize("window", [1, 2, 7, 50])
def test_moving_maximum_equals_scipy_filter(window):
    x = np.random.default_rng(3).random(2000)
    held, _ = follow(x, MovingMaximum(window / 1000.0), rate_hz=1000.0)
    expected = maximum_filter1d(x, window, mode="constant", cval=0.0, origin=(window - 1) // 2)
    np.testing.assert_array_equal(held, expected)


def test_mean_square_of_a_sine_reads_its_rms():
    # Form factor of a sine: rms is peak over the root of 2.
    t = np.arange(48_000) / 48_000
    held, _ = follow(3.0 * np.sin(2 * np.pi * 1000 * t), MeanSquare(0.05), rate_hz=48_000.0)
    assert held[-1] == pytest.approx(3.0 / math.sqrt(2), rel=2e-3)


def test_attack_release_uses_one_time_for_each_way():
    up = np.ones(3000)
    held, state = follow(up, AttackRelease(0.05, 0.4), rate_hz=1000.0)
    assert held[49] == pytest.approx(1 - math.exp(-1), abs=1e-12)
    fallen, _ = follow(np.zeros(400), AttackRelease(0.05, 0.4), rate_hz=1000.0, state=state)
    assert fallen[-1] == pytest.approx(math.exp(-1), abs=1e-9)


def test_peak_hold_holds_then_falls_to_the_input():
    x = np.zeros(400)
    x[10], x[11:] = 1.0, 0.25
    held, _ = follow(x, PeakHold(0.1, 0.05), rate_hz=1000.0)
    np.testing.assert_array_equal(held[10:111], 1.0)
    assert held[111] == pytest.approx(math.exp(-1 / 50))
    np.testing.assert_array_equal(held[300:], 0.25)


@pytest.mark.parametrize("follower", [PeakHold(0.0, 0.02), PeakHold(0.004, 0.001), MovingMaximum(0.01)])
def test_peaks_are_never_under_the_input(follower):
    x = np.random.default_rng(6).random(3000)
    held, _ = follow(x, follower, rate_hz=1000.0)
    assert (held >= x).all()


@pytest.mark.parametrize("follower", EVERY_FOLLOWER, ids=lambda f: type(f).__name__)
def test_silence_stays_silence(follower):
    held, _ = follow(np.zeros(100), follower, rate_hz=1000.0)
    np.testing.assert_array_equal(held, 0.0)


@pytest.mark.parametrize("follower", EVERY_FOLLOWER, ids=lambda f: type(f).__name__)
def test_a_clipped_envelope_is_followed_up_to_its_ceiling(follower):
    clipped = np.minimum(1023.0, 3000.0 * np.abs(np.sin(np.arange(20_000) / 500)))
    held, _ = follow(clipped, follower, rate_hz=1000.0)
    assert held.min() >= 0.0
    assert held.max() <= 1023.0


@pytest.mark.parametrize("follower", EVERY_FOLLOWER, ids=lambda f: type(f).__name__)
@examples(25)
@given(cut=st.integers(0, 500), seed=st.integers(0, 100))
def test_two_blocks_equal_one_bit_for_bit(follower, cut, seed):
    x = np.random.default_rng(seed).random(500)
    whole, whole_end = follow(x, follower, rate_hz=1000.0)
    first, middle = follow(x[:cut], follower, rate_hz=1000.0)
    second, end = follow(x[cut:], follower, rate_hz=1000.0, state=middle)
    np.testing.assert_array_equal(np.concatenate([first, second]), whole)
    np.testing.assert_array_equal(end, whole_end)


@pytest.mark.parametrize("follower", EVERY_FOLLOWER, ids=lambda f: type(f).__name__)
def test_rows_are_followed_each_for_itself_and_the_input_is_left_alone(follower):
    x = np.random.default_rng(5).random((2, 3, 200))
    before = x.copy()
    held, state = follow(x, follower, rate_hz=1000.0)
    assert held.shape == x.shape
    np.testing.assert_array_equal(x, before)
    for i, j in np.ndindex(2, 3):
        alone, alone_state = follow(x[i, j], follower, rate_hz=1000.0)
        np.testing.assert_array_equal(held[i, j], alone)
        np.testing.assert_array_equal(state[i, j], alone_state)


def test_state_given_is_not_changed():
    start = np.array([0.5])
    follow(np.ones(10), OnePole(0.1), rate_hz=1000.0, state=start)
    assert start[0] == 0.5


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: OnePole(-1.0), "time_s"),
        (lambda: AttackRelease(math.nan, 1.0), "attack_s"),
        (lambda: AttackRelease(1.0, math.inf), "release_s"),
        (lambda: PeakHold(-0.1, 1.0), "hold_s"),
        (lambda: MeanSquare(-0.1), "time_s"),
        (lambda: MovingMaximum(0.0), "window_s"),
        (lambda: follow(np.ones(3), OnePole(0.1), rate_hz=0.0), "rate_hz"),
        (lambda: follow(np.array([1.0, math.nan]), OnePole(0.1), rate_hz=1.0), "envelope"),
        (lambda: follow(np.array(1.0), OnePole(0.1), rate_hz=1.0), "envelope"),
        (lambda: follow(np.ones(3), OnePole(0.1), rate_hz=1.0, state=np.zeros(2)), "state"),
        (lambda: follow(np.ones(3), "pole", rate_hz=1.0), "follower"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name
