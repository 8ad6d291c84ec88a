"""The light of the exported firmware, made of readings: start-up, depth, guard, and the table alone."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from reference.flashes import worst_flashes

from envlab.analog.adc import instant_count
from envlab.chain import Chain
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.digital.fixed_point import justify
from envlab.digital.followers import MeanSquare, MovingMaximum, MovingMean, PassThrough, PeakHold
from envlab.digital.light_path import run_light_path
from envlab.errors import ParameterError
from envlab.light.curve import BrightnessMap
from envlab.light.table import top_code
from envlab.sound.recording import Recording
from envlab.sound.signals import pink_noise
from envlab.study.exported import light as exported_light
from envlab.study.exported.light import ExportedFirmware, PlainTable, frame_count, worn_duty, worn_light

CHAIN = Chain(brightness=BrightnessMap(66.0, 102.0))


def blinking(per_second: float, seconds: float = 7.0) -> np.ndarray:
    """Readings of a board on which full light and silence take turns."""
    time_s = np.arange(round(seconds * CHAIN.adc.rate_hz)) / CHAIN.adc.rate_hz
    return np.where((time_s * per_second) % 1 < 0.5, 1000, 0)


@pytest.mark.parametrize("seconds", [0.1, 1.0, 1.0041, 2.505])
def test_there_are_as_many_frames_as_the_chain_has(seconds):
    readings = instant_count(seconds, CHAIN.adc.rate_hz)
    assert frame_count(CHAIN, readings) == instant_count(seconds, CHAIN.frame_rate_hz)


def test_it_starts_dark_and_fades_in_and_a_board_that_has_been_on_does_not():
    firmware = ExportedFirmware(CHAIN)
    steady = np.full(6000, 900)
    started = firmware.light(steady)
    assert started.codes[:200].max() == 0
    assert 0 < started.luminance[250] < started.luminance[-1]
    running = firmware.light(steady, state=firmware.running())
    assert running.luminance[0] == started.luminance[-1] > 0.9


@pytest.mark.parametrize("sensitivity", ["none", "steps", "automatic"])
@pytest.mark.parametrize("follower", [PassThrough(), MovingMean(0.01), MovingMaximum(0.007)])
@pytest.mark.parametrize("at_once", [1, 7, 10, 333])
def test_readings_some_at_a_time_are_readings_at_once(monkeypatch, sensitivity, follower, at_once):
    chain = replace(CHAIN, follower=follower)
    rng = np.random.default_rng(at_once)
    readings = (blinking(4.3, 5.0) * rng.random(5000)).astype(np.uint16)
    firmware = ExportedFirmware(chain, sensitivity, step=0 if sensitivity == "steps" else None)
    # Frames that begin between two portions, on their edge, and several on one reading.
    ends = np.sort(np.concatenate((np.arange(10, 5001, 10), [333, 333, 700, 707, 5000])))
    for frame_ends in (None, ends):
        monkeypatch.setattr(exported_light, "READ_AT_ONCE", 1 << 18)
        whole = firmware.light(readings, frame_ends=frame_ends)
        after = firmware.after(readings, ends)
        monkeypatch.setattr(exported_light, "READ_AT_ONCE", at_once)
        parts = firmware.light(readings, frame_ends=frame_ends)
        np.testing.assert_array_equal(parts.duty, whole.duty)
        np.testing.assert_array_equal(parts.held, whole.held)
        np.testing.assert_array_equal(parts.luminance, whole.luminance)
        assert np.unique(whole.duty).size > 50
        left = firmware.after(readings, ends)
        assert left.runtime == after.runtime
        np.testing.assert_array_equal(left.held, after.held)


@pytest.mark.parametrize("depth", [{}, {"pixel_bits": 8}, {"pixel_bits": 8, "dither_bits": 2}])
@pytest.mark.parametrize("follower", [None, MeanSquare(0.02)])
@pytest.mark.parametrize("guard", [True, False])
def test_the_duty_alone_is_that_of_the_light(depth, follower, guard):
    """With a follower that the runtime lacks it is the plain table's."""
    chain = replace(CHAIN, **depth, **({} if follower is None else {"follower": follower}))
    readings = (np.random.default_rng(9).random(9000) * np.linspace(0, 1023, 9000)).astype(np.int64)
    duty = worn_duty(chain, readings, guard=guard)
    np.testing.assert_array_equal(duty, worn_light(chain, readings, guard=guard).duty)
    assert np.unique(duty).size > 3


def test_of_a_long_night_little_more_than_its_light_is_held():
    firmware, peaks = ExportedFirmware(replace(CHAIN, follower=MovingMean(0.01))), []
    for repeats in (400, 1600):
        readings = np.tile(blinking(3.7, 1.0), repeats).astype(np.uint16)
        firmware.light(readings[:1000])
        tracemalloc.start()
        firmware.light(readings)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # Of 1,200 s more: 120,000 frames of some eight numbers. The readings, 8 bytes each, would be 9.6 MB more.
    assert peaks[1] - peaks[0] < 8 * 8 * 120_000 < 9.6e6


@pytest.mark.parametrize("bits", [8, 11, 16])
@pytest.mark.parametrize("limit", ["table", "frame"])
def test_the_brightest_code_is_the_largest_within_the_supply_at_every_depth(bits, limit):
    chain = replace(CHAIN, pixel_bits=bits, current_limit=limit)
    light = worn_light(chain, np.full(3000, 1023))
    # The limiter comes to within one code of what the supply bears (envlab/digital/fixed_frame.py).
    short = 1 if limit == "frame" else 0
    assert top_code(bits, chain.duty_limit) - short <= light.codes.max() <= top_code(bits, chain.duty_limit)
    np.testing.assert_array_equal(light.luminance, light.codes / top_code(bits, chain.duty_limit))


def test_dithered_frames_have_all_their_refreshes_and_their_mean_is_the_finer_light():
    chain = replace(CHAIN, pixel_bits=8, dither_bits=2)
    readings = np.full(4000, 40)
    light = worn_light(chain, readings)
    frames, refreshes = light.codes.shape
    assert frames == frame_count(chain, readings.size)
    assert refreshes == round(chain.refresh_hz / chain.frame_rate_hz) >= 4
    finer = worn_light(replace(CHAIN, pixel_bits=10), readings)
    mean_code = light.codes[100:140].mean()
    assert mean_code * 1023 / 255 == pytest.approx(finer.codes[100:140].mean(), abs=1.0)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("limit", ["table", "frame"])
@pytest.mark.parametrize("per_second", [3.6, 5.0, 8.0])
def test_the_guard_keeps_three_a_second_where_the_light_alone_does_not(bits, limit, per_second):
    """Counted by tests/reference/flashes.py, which is written from the definition in WCAG 2.2."""
    chain = replace(CHAIN, pixel_bits=bits, current_limit=limit, frame_rate_hz=40.0)
    firmware = ExportedFirmware(chain)
    free = firmware.light(blinking(per_second), guard=False)
    held = firmware.light(blinking(per_second), guard=True)
    assert worst_flashes(free.luminance.tolist(), 40.0) > 3
    assert worst_flashes(held.luminance.tolist(), 40.0) <= 3
    assert 0 < held.held_share == np.mean(held.held)
    assert not free.held.any()


def test_the_guard_changes_nothing_of_calm_light():
    firmware = ExportedFirmware(CHAIN)
    readings = blinking(1.2)
    np.testing.assert_array_equal(
        firmware.light(readings, guard=True).codes, firmware.light(readings, guard=False).codes
    )
    assert firmware.light(readings).held_share == 0


def test_worn_light_is_by_the_designs_own_sensitivity_and_guard():
    readings = blinking(5.0)
    for settings in (FirmwareSettings(), FirmwareSettings("steps", "off"), FirmwareSettings("automatic")):
        firmware = ExportedFirmware(CHAIN, settings.sensitivity)
        wanted = firmware.light(readings, guard=settings.is_guarded, state=firmware.running())
        np.testing.assert_array_equal(
            worn_light(replace(CHAIN, firmware=settings), readings).codes, wanted.codes
        )


def test_each_step_of_the_button_is_brighter_than_the_one_before():
    readings = np.full(6000, 60)
    steps = ExportedFirmware(CHAIN, "steps").steps
    last = [ExportedFirmware(CHAIN, "steps", step=step).light(readings).codes[-1] for step in range(steps)]
    assert steps >= 4
    assert (np.diff(last) > 0).all()
    middle = ExportedFirmware(CHAIN, "steps").design_step
    assert last[middle] == ExportedFirmware(CHAIN).light(readings).codes[-1]


def test_the_plain_table_is_what_the_model_makes_of_the_readings():
    chain = replace(CHAIN, follower=PeakHold(0.05, 0.3))
    noise = pink_noise(1.0, 2.0, 48_000.0, np.random.default_rng(4))
    run = chain.run(Recording(noise, 48_000.0))
    light = PlainTable(chain).light(run.adc_counts)
    np.testing.assert_allclose(light.luminance * light.full_duty, run.duty, rtol=1e-12)
    np.testing.assert_array_equal(worn_light(chain, run.adc_counts).codes, light.codes)
    with pytest.raises(ParameterError, match="follower"):
        ExportedFirmware(chain)


def test_a_long_dithered_run_is_the_light_path_as_a_whole():
    chain = replace(CHAIN, pixel_bits=8, dither_bits=2, frame_rate_hz=500.0)
    readings = np.random.default_rng(2).integers(0, 60, 20_000)
    firmware = ExportedFirmware(chain)
    light = firmware.light(readings, guard=False)
    white = replace(firmware.design.light_path, colours=np.full((1, 3), 65_535))
    ends = chain.reading_of_frame(light.duty.size) + 1
    whole = run_light_path(white, justify(readings, chain.adc.bits), ends)
    np.testing.assert_array_equal(light.codes, whole.codes[:, :, 0])


def test_frames_that_begin_within_the_readings_are_those_of_the_whole():
    """As in a window round a playhead; the gate is open throughout and nothing is held."""
    readings = np.random.default_rng(3).integers(100, 400, 3000)
    firmware = ExportedFirmware(CHAIN)
    state = firmware.running()
    whole = firmware.light(readings, guard=False, state=state)
    ends = CHAIN.reading_of_frame(whole.duty.size) + 1
    some = firmware.light(readings, guard=False, state=state, frame_ends=ends[5:])
    np.testing.assert_array_equal(some.codes, whole.codes[5:])
