"""The quiescent level is found whatever the board's offset, kept through drift, and never lost for long."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from envlab.analog.adc import Adc, convert
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.board_firmware import runtime_design
from envlab.chain import Chain
from envlab.digital.fixed_kernels import ZERO_BITS
from envlab.digital.fixed_point import FixedFollower, FrameTrace, awake_state, justify, run_frames
from envlab.digital.followers import MovingMean, PassThrough
from envlab.digital.quiescent import (
    LearntQuiescent,
    StartUp,
    block_bits,
    bottom_loss_db,
    drone_loss_db,
    loss_db,
    zero_words,
)
from envlab.errors import ParameterError
from envlab.firmware.level_table import build_level_table
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.light.curve import CountMap
from envlab.light.flashes.flash import count_flashes
from envlab.light.lightness import lightness_cie1976

RATE_HZ, FRAME_HZ = 1000, 100


@dataclass(frozen=True)
class Board:
    """A board whose quiescent level is not where the firmware expects it; all in counts."""

    bits: int = 10
    quiescent: int = 20
    offset: float = 0.0
    noise: float = 0.3
    floor: float = 4.0

    @property
    def design(self) -> RuntimeDesign:
        """The firmware of the board as it was designed."""
        table = build_level_table(CountMap(self.floor, 0.6 * (1 << self.bits)), adc_bits=self.bits)
        return RuntimeDesign(
            table=table,
            follower=FixedFollower(1 / 8000, 1 / 8000),
            adc_bits=self.bits,
            quiescent_counts=self.quiescent,
            noise_lsb=self.noise,
        )

    def counts(self, sound: np.ndarray, drift_min: float = 0.0, seed: int = 1) -> np.ndarray:
        """Return readings, counts, of a sound (readings,) from power-up on, with a drift in LSB a minute."""
        rng = np.random.default_rng(seed)
        at = self.quiescent + 0.5 + self.offset + drift_min * np.arange(sound.size) / (60 * RATE_HZ)
        read = np.floor(at + sound + self.noise * rng.standard_normal(sound.size))
        return np.clip(read, 0, (1 << self.bits) - 1).astype(np.int64)


def play(board: Board, counts: np.ndarray, state=None) -> FrameTrace:
    design, step = board.design, RATE_HZ // FRAME_HZ
    ends = np.arange(step, counts.size + 1, step)
    return run_frames(design.words, design.codes, justify(counts, board.bits), ends, state=state)


def silence(seconds: float) -> np.ndarray:
    return np.zeros(int(seconds * RATE_HZ))


def zero_counts(board: Board, trace: FrameTrace) -> np.ndarray:
    return trace.zero / (1 << (16 - board.bits))


def first_light(board: Board, before: np.ndarray, drift_min: float = 0.0, swell_s: float = 20.0) -> float:
    """Return the sound, counts, at which half of the frames of a moment are lit, in a swell after before."""
    swell = np.linspace(0.0, 4 * board.floor, int(swell_s * RATE_HZ))
    trace = play(board, board.counts(np.concatenate([before, swell]), drift_min))
    lit = trace.duty[before.size // 10 :] > 0
    frames = max(int(0.02 * swell_s * FRAME_HZ), 1)
    share = np.convolve(lit, np.ones(frames) / frames, "same")
    return float(swell[10 * int(np.argmax(share >= 0.5))])


def first_light_without_offset(board: Board, swell_s: float = 20.0) -> float:
    """Return the same for a board that stands where its firmware expects it."""
    return first_light(replace(board, offset=0.0), silence(6), swell_s=swell_s)


@pytest.mark.parametrize("offset", [-10.0, -3.3, 0.0, 4.6, 10.0])
@pytest.mark.parametrize(("bits", "noise"), [(8, 0.3), (10, 0.3), (10, 1.0), (12, 1.0), (14, 2.0)])
def test_an_offset_leaves_silence_dark_and_costs_at_most_a_decibel(bits, noise, offset):
    floor = max(4.0, 5 * noise)
    board = Board(bits, 20, offset, noise, floor)
    assert not play(board, board.counts(silence(60))).duty.any()
    found, ideal = first_light(board, silence(6)), first_light_without_offset(board)
    assert ideal == pytest.approx(10 ** (1 / 20) * floor, rel=0.3)
    assert abs(20 * math.log10(found / ideal)) <= 1.0


@pytest.mark.parametrize("offset", [-10.0, 0.0, 10.0])
@pytest.mark.parametrize("drift_min", [-1.0, 1.0])
def test_a_drift_of_one_lsb_a_minute_leaves_silence_dark(offset, drift_min):
    # Nine minutes upwards from the design's offset; downwards the bottom code ends the drift.
    minutes = 9 if drift_min > 0 or offset > -10 else 0.5
    board = Board(quiescent=20, offset=offset, noise=0.5)
    assert not play(board, board.counts(silence(60 * minutes), drift_min)).duty.any()
    ideal = first_light_without_offset(board)
    found = first_light(board, silence(60 * minutes), drift_min)
    assert abs(20 * math.log10(found / ideal)) <= 1.0


@pytest.mark.parametrize("noise", [0.1, 0.3, 1.0, 3.0])
def test_the_minimum_corrects_its_own_bias(noise):
    board = Board(quiescent=60, noise=noise, floor=20.0)
    zero = zero_counts(board, play(board, board.counts(silence(600))))[6000:]
    # What a converter reads on average at 60.5: 60, half an LSB being cut off.
    assert abs(zero.mean() - 60.0) <= 0.05 + 0.06 * noise
    assert zero.std() <= 0.05 * noise + 0.01


def test_it_rises_by_one_lsb_a_minute_and_ten_in_all():
    board = Board()
    loud = np.full(30 * 60 * RATE_HZ, 300.0)
    zero = zero_counts(board, play(board, board.counts(np.concatenate([silence(6), loud]))))
    start = zero[500]
    in_a_minute = zero[6000:] - zero[:-6000]
    assert in_a_minute.max() <= 1.0
    assert in_a_minute[2000:50_000].min() >= 0.9
    assert 9.8 <= zero.max() - start <= 10.0


@pytest.mark.parametrize("floor", [12.0, 30.0])
def test_a_drone_loses_what_is_stated_and_half_a_minute_of_quiet_undoes_it(floor):
    board = Board(floor=floor, noise=0.1)
    before = np.concatenate([silence(6), np.full(600 * RATE_HZ, floor), silence(0.2)])
    stated = drone_loss_db(floor, LearntQuiescent())
    # 20 lg(30/20) and 20 lg(12/2) dB, by hand.
    assert stated == pytest.approx({30.0: 3.52, 12.0: 15.56}[floor], abs=0.01)
    # A quick swell, since quiet undoes the loss while one measures.
    ideal = first_light(board, silence(6), swell_s=2.0)
    lost = first_light(board, before, swell_s=2.0) - ideal
    assert 8.5 <= lost <= 10.5
    after = first_light(board, np.concatenate([before, silence(30)]), swell_s=2.0)
    assert after == pytest.approx(ideal, rel=0.05)


@pytest.mark.parametrize("quiescent", [0, 4, 8])
def test_near_the_bottom_code_the_loss_is_said(quiescent):
    board = Board(quiescent=quiescent, offset=-10.0, noise=0.1, floor=15.0)
    stated = bottom_loss_db(15.0, quiescent, LearntQuiescent(), noise_lsb=0.1)
    # As much more sound as the offset hides is needed.
    lost = first_light(board, silence(6)) - first_light_without_offset(board)
    assert lost == pytest.approx(10.4 - quiescent, abs=1.2)
    assert stated == pytest.approx(20 * math.log10(15.0 / (15.0 - 10.4 + quiescent)))
    assert bottom_loss_db(15.0, 10.4, LearntQuiescent(), noise_lsb=0.1) == 0.0
    assert bottom_loss_db(5.0, 0.0, LearntQuiescent(), noise_lsb=0.1) == math.inf


def test_a_start_amid_music_waits_for_the_first_still_moment():
    board = Board(offset=6.0)
    beats = 200.0 * np.exp(-(np.arange(20 * RATE_HZ) % 500) / 100.0)
    trace = play(board, board.counts(np.concatenate([beats, silence(5)])))
    zero = zero_counts(board, trace)
    assert abs(zero[1990] - 20.0) < 0.5
    assert zero[-1] == pytest.approx(26.0, abs=0.1)
    assert not trace.duty[-300:].any()


@pytest.mark.parametrize("stuck", [0, 1023])
def test_a_converter_that_sticks_gives_steady_light_and_takes_little_along(stuck):
    board = Board(quiescent=40)
    parts = [board.counts(silence(6)), np.full(120 * RATE_HZ, stuck), board.counts(silence(30), seed=2)]
    trace = play(board, np.concatenate(parts))
    during = trace.duty[700:12_500]
    assert len(np.unique(during)) == 1
    assert count_flashes(trace.duty / 65_535, FRAME_HZ) <= 1
    assert zero_counts(board, trace)[12_500] - 40.0 == pytest.approx(2.0 if stuck else 0.0, abs=0.15)
    assert not trace.duty[-1000:].any()


def test_a_stuck_converter_from_power_up_teaches_nothing_until_it_works():
    board = Board(quiescent=40, offset=5.0)
    trace = play(board, np.concatenate([np.zeros(10 * RATE_HZ, np.int64), board.counts(silence(5))]))
    assert trace.zero[990] == 40 * 64
    assert zero_counts(board, trace)[-1] == pytest.approx(45.0, abs=0.1)


def test_a_supply_that_sags_for_two_seconds_moves_the_zero_by_little():
    board = Board(quiescent=40)
    sag = board.counts(silence(20)) - np.where(np.arange(20 * RATE_HZ) // RATE_HZ // 2 == 5, 8, 0)
    trace = play(board, sag)
    zero = zero_counts(board, trace)
    # 1 LSB a second at most while it lasts.
    assert 37.5 <= zero[1150:].min() <= 39.0


def test_missed_readings_only_make_it_slower():
    board, rng = Board(offset=7.0), np.random.default_rng(4)
    counts = board.counts(np.concatenate([silence(20), np.full(5 * RATE_HZ, 100.0)]))
    kept = counts[rng.random(counts.size) > 0.3]
    whole, gaps = play(board, counts), play(board, kept)
    assert zero_counts(board, gaps)[1000] == pytest.approx(zero_counts(board, whole)[1000], abs=0.1)
    assert gaps.duty[-1] == pytest.approx(whole.duty[-1], rel=0.02)
    assert not gaps.duty[:1300].any()


def test_nothing_changes_when_every_counter_has_wrapped():
    # 70 000 frames and 700 000 readings: more than 16 bit of either.
    board = Board()
    loud = board.counts(np.concatenate([silence(6), np.full(694 * RATE_HZ, 500.0)]))
    trace = play(board, loud)
    steady = trace.duty[1000:]
    assert (steady.max() - steady.min()) / steady.max() <= 0.05
    assert (trace.end.mute, trace.end.fade) == (0, board.design.words.dim)


@pytest.mark.parametrize("frame_rate_hz", [10.0, 50.0, 100.0, 400.0, 1000.0])
def test_a_start_is_dark_and_then_fades_in(frame_rate_hz):
    design = replace(Board().design, brightness_rate_hz=frame_rate_hz)
    frames = int(8 * frame_rate_hz)
    readings = np.full(8 * RATE_HZ, 65_472)
    ends = np.floor(np.arange(1, frames + 1) * RATE_HZ / frame_rate_hz).astype(np.int64)
    duty = run_frames(design.words, design.codes, readings, ends).duty
    first = int(np.argmax(duty > 0))
    # The frame clock may be 3 % fast: 2.1 s of it are still 2.1 s.
    assert first >= 2.1 * frame_rate_hz * 1.03
    assert (np.diff(duty) >= 0).all()
    full = int(np.argmax(duty == duty[-1]))
    assert duty[-1] == design.codes[-1]
    assert (full - first) / frame_rate_hz == pytest.approx(1.0, rel=0.15, abs=1.1 / frame_rate_hz)


def reset_loop(period_s: float, sound: np.ndarray) -> np.ndarray:
    """Return the duty of 20 s in which the processor starts anew every period_s."""
    board, parts, length = Board(), [], max(int(period_s * RATE_HZ), 10)
    counts = board.counts(sound)
    for first in range(0, counts.size, length):
        parts.append(play(board, counts[first : first + length]).duty)
    return np.concatenate(parts)


@pytest.mark.parametrize(
    "beats_hz", [0.0, *(pytest.param(beats, marks=pytest.mark.slow) for beats in (1.0, 2.0, 2.5))]
)
def test_a_reset_loop_at_any_rate_adds_no_flash_too_many(beats_hz):
    t = np.arange(20 * RATE_HZ) / RATE_HZ
    sound = np.where((t * beats_hz) % 1.0 < 0.5, 600.0, 0.0)
    for period_s in np.concatenate([np.geomspace(0.01, 2.0, 12), np.linspace(2.05, 6.0, 60)]):
        duty = reset_loop(float(period_s), sound)
        assert count_flashes(duty / 65_535, FRAME_HZ) <= 3, period_s
        if period_s < 2.1:
            assert not duty.any()


def test_words_of_a_design_worked_by_hand():
    # 10 bit at 1 kHz: a count is 64 words, a block 256 readings or 0.256 s; 64*256*0.256/60 = 69.9.
    words = zero_words(LearntQuiescent(), 20, adc_bits=10, rate_hz=1000.0, noise_lsb=0.5)
    assert (words.start, words.least, words.most) == (1280, 1280 - 11 * 64, 1280 + 11 * 64)
    assert (words.rise, words.fall, words.block_bits) == (69, int(64 * 256 * 0.256), 8)
    assert (words.reach, words.still) == (10 * 64 - 1, 4 * 64)
    fixed = zero_words(LearntQuiescent(0.0), 20, adc_bits=10, rate_hz=1000.0, noise_lsb=0.5)
    assert (fixed.least, fixed.most, fixed.reach, fixed.rise, fixed.fall) == (1280, 1280, 0, 0, 0)


def test_a_zero_that_is_not_learnt_stays():
    design = replace(Board().design, quiescent=LearntQuiescent(0.0))
    readings = np.random.default_rng(2).integers(0, 65_536, 60_000)
    trace = run_frames(design.words, design.codes, readings, np.arange(10, 60_001, 10))
    assert set(trace.zero) == {20.0 * 64}


@pytest.mark.parametrize(
    ("rate_hz", "bits"), [(10.0, 4), (100.0, 5), (1000.0, 8), (1025.0, 9), (48e3, 14), (1e6, 15)]
)
def test_blocks_last_a_quarter_to_half_a_second_where_they_can(rate_hz, bits):
    assert block_bits(rate_hz) == bits


def test_two_runs_equal_one_wherever_they_are_split():
    board, rng = Board(), np.random.default_rng(7)
    counts = board.counts(rng.integers(0, 900, 5000).astype(float))
    design = board.design
    readings = justify(counts, 10)
    ends = np.sort(rng.integers(0, 5000, 400))
    whole = run_frames(design.words, design.codes, readings, ends, state=awake_state(design.words))
    for cut in (0, 1, 2499, 4999):
        first = run_frames(
            design.words, design.codes, readings[:cut], ends[ends <= cut], state=awake_state(design.words)
        )
        second = run_frames(
            design.words, design.codes, readings[cut:], ends[ends > cut] - cut, state=first.end
        )
        np.testing.assert_array_equal(np.concatenate([first.duty, second.duty]), whole.duty)
        np.testing.assert_array_equal(np.concatenate([first.zero, second.zero]), whole.zero)
        assert second.end == whole.end
    assert whole.end.zero << ZERO_BITS | whole.end.zero_low == round(whole.zero[-1] * 256)


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: LearntQuiescent(-1.0), "offset_lsb"),
        (lambda: LearntQuiescent(10.0, 0.0), "rise_lsb_min"),
        (lambda: StartUp(0.5), "mute_s"),
        (lambda: StartUp(2.0, 0.0), "fade_s"),
        (lambda: StartUp().frames(0.0, 0.25), "frame_rate_hz"),
        (lambda: LearntQuiescent().least_counts(-1.0), "noise_lsb"),
        (lambda: block_bits(0.0), "rate_hz"),
        (lambda: loss_db(0.0, 1.0), "floor_counts"),
        (lambda: loss_db(1.0, -1.0), "lost_counts"),
        (lambda: drone_loss_db(4.0, LearntQuiescent(), minutes=-1.0), "minutes"),
        (lambda: bottom_loss_db(4.0, -1.0, LearntQuiescent(), noise_lsb=0.3), "quiescent_counts"),
    ],
)
def test_bad_values_are_named(make, name):
    with pytest.raises(ParameterError) as caught:
        make()
    assert caught.value.name == name


def test_frames_that_run_backwards_are_refused():
    design = Board().design
    for ends in ([5, 4], [11], [-1]):
        with pytest.raises(ParameterError, match="frame_ends"):
            run_frames(design.words, design.codes, np.zeros(10, np.int64), np.array(ends))


@pytest.mark.parametrize("rest_v", [0.0, 0.05, 0.0797, 0.0803])
@pytest.mark.parametrize("follower", [PassThrough(), MovingMean()])
def test_a_dead_zone_that_reads_nothing_in_silence_is_lived_with(rest_v, follower):
    """12 bit beside a radio: up to 80 mV it reads 0, however the detector rests below, at or just above that.

    The zero is learnt where the readings are, light comes back after silence as before it, and noise at the
    edge of the zone lights nothing.
    """
    adc = Adc(12, noise_lsb=1.0, dead_low_v=0.08, bow_lsb=5.0)
    chain = Chain(adc=adc, rectifier=Rectifier(reference_node_v=rest_v), follower=follower)
    design = runtime_design(chain)
    rng = np.random.default_rng(3)
    loud_v = chain.adc.dead_low_v + 200 * chain.adc.lsb_v

    def read(volts, seconds):
        return convert(np.full(round(1000 * seconds), volts), adc, rng=rng)

    counts = np.concatenate([read(rest_v, 8), read(loud_v, 2), read(rest_v, 60), read(loud_v, 2)])
    if rest_v < 0.0797:
        assert counts[:8000].max() == 0
    trace = run_frames(design.words, design.codes, justify(counts, 12), np.arange(10, counts.size + 1, 10))
    expected = max(chain.adc.line_lsb(rest_v), 0.0)
    # Within a count: what noise adds at the edge, where half of it is cut off, is less than that.
    assert np.abs(trace.zero[400:800] / 16 - expected).max() < 1
    assert trace.zero[6900] / 16 <= expected + 10
    first, again = trace.duty[850:1000], trace.duty[7050:7200]
    assert first.min() > 0
    assert lightness_cie1976(again.mean() / design.codes[-1]) == pytest.approx(
        lightness_cie1976(first.mean() / design.codes[-1]), abs=2
    )
    assert trace.duty[400:790].max() == 0
    assert trace.duty[1100:6990].max() == 0
