"""Metrics of whole clips on sounds whose answer is known: steady tones, tones that stop, offset alone."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from envlab.analog.adc import Adc
from envlab.analog.detector import PeakDetector
from envlab.analog.microphone import Microphone
from envlab.analog.preamps.preamp import Preamp
from envlab.chain import Chain
from envlab.digital.followers import MeanSquare, MovingMean
from envlab.light.curve import BrightnessMap
from envlab.metrics.catalogue import FLASH_METRIC
from envlab.metrics.metrics_of_clip import clip_columns, idle_lightness
from envlab.sound.clip import Clip
from envlab.sound.recording import Recording
from envlab.study.specification.specification import Judging, Specification
from envlab.study.sweep.sweep import sweep

RATE_HZ = 48_000.0
QUIET_MICROPHONE = Microphone(signal_to_noise_db=90.0, low_corner_hz=1.0, high_corner_hz=100e3)
QUIET_PREAMP = Preamp(noise_v_per_rthz=0.0, input_offset_v=0.0)
MAP = BrightnessMap(60.0, 90.0)
CHAIN = Chain(
    microphone=QUIET_MICROPHONE,
    preamp=QUIET_PREAMP,
    detector=PeakDetector(470.0, 1e-6, 100e3),
    adc=Adc(noise_lsb=0.0),
    brightness=MAP,
)


def tone(level_db_spl: float, seconds: float, silence_s: float = 0.0) -> Recording:
    """A sine of 1003.7 Hz at a level, then silence: no two readings fall on the same phase of it."""
    peak_pa = math.sqrt(2) * 20e-6 * 10 ** (level_db_spl / 20)
    sine = peak_pa * np.sin(2 * np.pi * 1003.7 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)
    return Recording(np.concatenate((sine, np.zeros(round(silence_s * RATE_HZ)))), RATE_HZ)


def judged(chain: Chain, recording: Recording) -> dict[str, float]:
    columns = clip_columns(recording, [chain], [chain.brightness_table()], seed=(1,))
    return {name: float(values[0]) for name, values in columns.items()}


@pytest.mark.parametrize("peak_over_limit", [1.05, math.sqrt(2), 2.0, 10.0])
def test_share_of_a_sine_beyond_the_microphones_limit(peak_over_limit):
    # A sine of peak A is beyond ±L for 1 − (2/π)·asin(L/A) of the time: 1/2 at √2, 2/3 at 2.
    limit_db_spl = 92.0
    chain = Chain(microphone=Microphone(overload_db_spl=limit_db_spl), preamp=Preamp(10e3))
    recording = tone(limit_db_spl + 20 * math.log10(peak_over_limit), 2.0)
    expected = 1 - 2 / math.pi * math.asin(1 / peak_over_limit)
    assert judged(chain, recording)["clipped_share"] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("peak_over_limit", [math.sqrt(2), 2.0])
def test_share_of_a_sine_beyond_the_preamps_swing(peak_over_limit):
    # The output swings 1.6 V each way (3.3 V supply, bias in the middle, 50 mV from the rails).
    level_db_spl = 94 + 20 * math.log10(1.6 * peak_over_limit / CHAIN.peak_at_rectifier_v(94.0))
    expected = 1 - 2 / math.pi * math.asin(1 / peak_over_limit)
    assert judged(CHAIN, tone(level_db_spl, 2.0))["clipped_share"] == pytest.approx(expected, abs=2e-3)


def test_nothing_is_clipped_below_both_limits():
    assert judged(CHAIN, tone(80.0, 0.5))["clipped_share"] == 0


@pytest.mark.parametrize("level_db_spl", [68.0, 75.0, 85.0])
def test_lightness_of_a_steady_tone(level_db_spl):
    # The map is even in dB: L* = 100·(level − 60)/(90 − 60). A count at 68 dB is 3.4 L*, ripple less.
    metrics = judged(CHAIN, tone(level_db_spl, 3.0))
    expected = 100 * (level_db_spl - 60) / 30
    assert metrics["lightness_95_lstar"] == pytest.approx(expected, abs=1.7)
    assert metrics["contrast_lstar"] < 3.5
    # 95 % of the frames' counts, and the median: those of the level, whole.
    counts = CHAIN.level_scale().counts(level_db_spl)
    assert metrics["counts_median"] == pytest.approx(counts, abs=1.5)
    assert metrics["counts_99"] == pytest.approx(counts, rel=0.02, abs=1.5)


def test_a_tone_for_three_tenths_of_the_time_lights_three_tenths():
    # From 85 dB (L* 83) to L* 5 the release takes ln 10·(85 − 61.5)/20·0.1 s = 0.27 s of ten.
    metrics = judged(CHAIN, tone(85.0, 3.0, silence_s=7.0))
    assert metrics["lit_share"] == pytest.approx((3.0 + 0.27) / 10, abs=0.004)
    # And no frame of the seven silent tenths reaches the 95 % point of a clip lit for 3 %.
    assert judged(CHAIN, tone(85.0, 0.03, silence_s=9.97))["lightness_95_lstar"] == 0


@pytest.mark.parametrize("offset_lsb", [0.0, 12.5, 40.0])
def test_offset_alone_has_the_lightness_of_its_counts(offset_lsb):
    # Whole counts n: L* = 100·ln(n/floor)/ln(ceiling/floor), 0 below the floor.
    chain = Chain(
        microphone=QUIET_MICROPHONE,
        preamp=Preamp(10e3, noise_v_per_rthz=0.0, input_offset_v=0.0),
        adc=Adc(noise_lsb=0.0, offset_lsb=offset_lsb),
        brightness=BrightnessMap(70.0, 100.0),
    )
    asked, counts = chain.count_map(), math.floor(offset_lsb)
    span = math.log(asked.ceiling_counts / asked.floor_counts)
    expected = max(0.0, 100 * math.log(max(counts, 1e-9) / asked.floor_counts) / span)
    assert idle_lightness([chain], [chain.brightness_table()], 1, 1)[0] == pytest.approx(expected, abs=0.02)


def test_noise_alone_has_the_lightness_of_its_95_percent_point():
    # Converter noise of 8 counts rms round 20.5: 95 % of a normal distribution lie below +1.645 σ.
    chain = Chain(
        microphone=QUIET_MICROPHONE,
        preamp=Preamp(10e3, noise_v_per_rthz=0.0, input_offset_v=0.0),
        adc=Adc(noise_lsb=8.0, offset_lsb=20.5),
        brightness=BrightnessMap(70.0, 100.0),
        frame_rate_hz=1000.0,
    )
    asked = chain.count_map()
    span = math.log(asked.ceiling_counts / asked.floor_counts)
    point = 20.5 + 1.645 * 8 - 0.5
    expected = 100 * math.log(point / asked.floor_counts) / span
    # 4000 readings: the 95 % point of counts errs by some 0.25, a count is 0.9 L* here.
    assert idle_lightness([chain], [chain.brightness_table()], 1, 1)[0] == pytest.approx(expected, abs=1.6)


def test_current_of_a_yoke_that_is_always_full(tmp_path: Path):
    # Cap: all 24 pixels at the converter's 3 A. A ceiling of 60 dB under a tone of 90 dB: full from the
    # first readings on, so mean, 99 % point and peak are 3 A, less a code of 16 bits.
    soundfile.write(tmp_path / "tone.wav", tone(90.0, 4.0).pressure_pa / 2, 48_000, subtype="FLOAT")
    chain = Chain(detector=PeakDetector(470.0, 1e-7, 1e6), brightness=BrightnessMap(30.0, 60.0))
    row = sweep(Specification(chain, [Clip(tmp_path / "tone.wav", 90.0)], {}), judging=Judging()).iloc[0]
    assert row["supply_99_a"] == row["supply_peak_a"] == pytest.approx(3.0, abs=1e-3)
    assert row["supply_mean_a"] == pytest.approx(3.0, abs=0.02)


def test_range_between_two_levels_of_one_tone(tmp_path: Path):
    # The same tone at 72 and 92 dB: 20 dB, but for the whole counts of the quiet one (12.8 at 72 dB).
    soundfile.write(tmp_path / "tone.wav", tone(80.0, 2.0).pressure_pa, 48_000, subtype="FLOAT")
    clips = [Clip(tmp_path / "tone.wav", level) for level in (72.0, 92.0)]
    row = sweep(Specification(CHAIN, clips, {}), judging=Judging()).iloc[0]
    counts = [CHAIN.level_scale().counts(level) for level in (72.0, 92.0)]
    assert row["range_used_db"] == pytest.approx(20, abs=20 * math.log10(1 + 1.5 / counts[0]))


KNOCKS = Recording(np.tile(tone(84.0, 0.05, 0.15).pressure_pa, 50), RATE_HZ)  # five a second for ten seconds
GAINS = [replace(CHAIN, preamp=replace(QUIET_PREAMP, feedback_ohm=ohm)) for ohm in (10e3, 22e3, 33e3)]


@pytest.mark.parametrize(
    "chains",
    [
        [CHAIN],
        GAINS,
        [replace(CHAIN, follower=MovingMean(0.01))],
        [replace(CHAIN, detector=PeakDetector(470.0, 1e-6, ohm)) for ohm in (100e3, 220e3)],
    ],
)
def test_a_clip_that_is_heard_until_it_is_enough(chains):
    tables = [chain.brightness_table() for chain in chains]
    asked: list[np.ndarray] = []
    heard: list[float] = []

    def more_than(most: float):
        asked.clear()
        heard.clear()

        def enough(flashes):
            asked.append(flashes)
            return bool((flashes > most).all())

        return clip_columns(KNOCKS, chains, tables, seed=(1,), progress=heard.append, enough=enough)

    whole = clip_columns(KNOCKS, chains, tables, seed=(1,))
    assert (whole[FLASH_METRIC] == 5).all()
    never = more_than(5)
    assert never.keys() == whole.keys()
    for name, values in whole.items():
        np.testing.assert_array_equal(never[name], values, err_msg=name)
    assert heard[-1] == 1.0
    assert all((one <= other).all() for one, other in itertools.pairwise(asked))
    left = more_than(3)
    assert list(left) == [FLASH_METRIC]
    assert (left[FLASH_METRIC] >= 4).all()
    # Four knocks last 0.65 s. Frames are counted 256 at a time, those of 2.1 s.
    assert heard[-1] < 0.3


def test_a_clip_that_has_to_be_heard_twice_is_heard_to_its_end():
    chain = replace(CHAIN, follower=MeanSquare(0.01))
    columns = clip_columns(KNOCKS, [chain], [chain.brightness_table()], seed=(1,), enough=lambda _: True)
    assert columns.keys() > {FLASH_METRIC}


def test_who_is_asked_is_told_of_each_chain_in_its_place():
    # The first and the third share a front end, and only they are dark.
    dark = replace(GAINS[0], brightness=BrightnessMap(119.0, 120.0))
    chains = [dark, GAINS[1], replace(dark, detector=PeakDetector(470.0, 1e-6, 220e3)), GAINS[1]]
    tables = [chain.brightness_table() for chain in chains]
    asked: list[list[int]] = []
    clip_columns(KNOCKS, chains, tables, seed=(1,), enough=lambda flashes: asked.append(flashes.tolist()))
    assert asked[-1] == [0, 5, 0, 5]
