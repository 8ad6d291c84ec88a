"""The exported light of boards with a layout: pixel by pixel the light path's, the whole as its luminance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import envlab
from envlab.chain import Chain
from envlab.digital.fixed_point import justify
from envlab.digital.followers import MovingMean
from envlab.digital.light_path import run_light_path
from envlab.digital.pixel_layout import pixel_codes
from envlab.errors import ParameterError
from envlab.light.curve import BrightnessMap
from envlab.light.flashes.flash import count_flashes
from envlab.light.layout.layout import Layout
from envlab.study.exported import light as exported_light
from envlab.study.exported.light import ExportedFirmware, worn_light
from envlab.study.exported.shown import adc_readings

CHAIN = Chain(brightness=BrightnessMap(66.0, 102.0), follower=MovingMean(0.01))
LAYOUTS = {
    "from end": Layout("from_end"),
    "from middle, rest light": Layout("from_middle", rest_light=0.02),
    "travelling": Layout("travelling", group_pixels=5, pixels_per_second=33.0),
    "share": Layout("share", lit_share=0.25),
}


def beat(seconds: float = 8.0, per_second: float = 5.0) -> np.ndarray:
    """Readings of a beat too fast for anybody's eyes, after a start in silence."""
    time_s = np.arange(round(seconds * CHAIN.adc.rate_hz)) / CHAIN.adc.rate_hz
    return np.where((time_s > 3.0) & ((time_s * per_second) % 1 < 0.5), 900, 0)


@pytest.mark.parametrize("depth", [(8, 0), (8, 2), (16, 0)], ids=["8 bit", "8 bit, dithered", "16 bit"])
@pytest.mark.parametrize("name", LAYOUTS)
def test_the_codes_of_all_pixels_are_those_of_the_light_path(name, depth):
    bits, dither_bits = depth
    chain = replace(CHAIN, layout=LAYOUTS[name], pixel_bits=bits, dither_bits=dither_bits)
    firmware = ExportedFirmware(chain)
    readings = beat()
    light = firmware.light(readings)
    design = firmware.design
    white = replace(design.light_path, colours=np.full((1, 3), 65_535), guard=design.guard_words)
    ends = chain.reading_of_frame(light.duty.size) + 1
    trace = run_light_path(white, justify(readings, chain.adc.bits), ends)
    np.testing.assert_array_equal(light.duty, trace.duty)
    np.testing.assert_array_equal(light.held, trace.held)
    assert light.held.any()
    shown = firmware.of_pixels(light)
    per_pixel = trace.codes.reshape(*trace.codes.shape[:2], 24, 3)
    assert (per_pixel == per_pixel[..., :1]).all()
    np.testing.assert_array_equal(shown, per_pixel[..., 0] if dither_bits else per_pixel[:, 0, :, 0])
    # The luminance is the sum of what is shown over the brightest such sum; of a dither its mean.
    sums = trace.codes.sum(axis=(1, 2)) / trace.codes.shape[1]
    brightest = light.full_duty * 72 * ((1 << bits) - 1)
    slack = 72 / brightest if dither_bits else 1e-12
    np.testing.assert_allclose(light.luminance, np.minimum(sums / brightest, 1), atol=slack, rtol=0)
    assert count_flashes(light.luminance, chain.frame_rate_hz) <= 3
    free = firmware.light(readings, guard=False)
    assert count_flashes(free.luminance, chain.frame_rate_hz) > 3


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_run_after_another_goes_on_where_the_picture_stands(name):
    """The sensitivity stays, the gate is open, nothing is held."""
    chain = replace(CHAIN, layout=LAYOUTS[name], pixel_bits=8)
    firmware = ExportedFirmware(chain)
    readings = np.random.default_rng(3).integers(100, 400, 4000)
    whole = firmware.light(readings, guard=False)
    ends = chain.reading_of_frame(whole.duty.size) + 1
    state = firmware.after(readings[:1991], ends[:200])
    then = firmware.light(readings[1991:], guard=False, state=state, frame_ends=ends[200:] - 1991)
    np.testing.assert_array_equal(then.duty, whole.duty[200:])
    np.testing.assert_array_equal(firmware.of_pixels(then), firmware.of_pixels(whole)[200:])


@pytest.mark.parametrize("at_once", [7, 333])
def test_readings_some_at_a_time_are_readings_at_once(monkeypatch, at_once):
    chain = replace(CHAIN, layout=LAYOUTS["travelling"])
    firmware = ExportedFirmware(chain)
    ends = chain.reading_of_frame(200) + 1
    whole = firmware.after(beat()[:2000], ends)
    monkeypatch.setattr(exported_light, "READ_AT_ONCE", at_once)
    assert firmware.after(beat()[:2000], ends).layout == whole.layout != (0, 0)


def test_shown_codes_have_a_column_for_each_pixel():
    tone = envlab.Recording(10 * np.sin(np.arange(4 * 48_000) * 0.13), 48_000.0)
    chain = replace(CHAIN, layout=LAYOUTS["from end"], pixel_bits=8)
    codes = envlab.shown_codes(chain, tone)
    light = ExportedFirmware(chain).light(adc_readings(chain, tone))
    assert codes.shape == (400, 24)
    np.testing.assert_array_equal(codes, pixel_codes(light.layout, light.duty)[0])
    # A bar: each pixel has at least what the next one has.
    assert (np.diff(codes, axis=1) <= 0).all()
    assert codes.max() > 0
    dithered = envlab.shown_codes(replace(chain, dither_bits=2), tone)
    assert dithered.shape == (400, 8, 24)


def test_at_one_envelope_every_layout_takes_the_light_of_all_alike():
    readings = beat(per_second=1.0)
    alike = worn_light(replace(CHAIN, layout=Layout()), readings)
    for layout in (LAYOUTS["from end"], Layout("from_middle"), Layout("share"), Layout("travelling")):
        light = worn_light(replace(CHAIN, layout=layout), readings)
        np.testing.assert_array_equal(light.duty, alike.duty)
        assert np.abs(light.luminance - alike.luminance).max() < 0.004
        assert light.full_duty == pytest.approx(alike.full_duty, rel=0.001)
    # Two pixels of 24 cannot take it all.
    two = worn_light(replace(CHAIN, layout=Layout("travelling", group_pixels=2)), readings)
    assert two.full_duty == pytest.approx(2 / 24, rel=0.001)


def test_pixels_that_are_alike_have_no_codes_of_their_own():
    firmware = ExportedFirmware(CHAIN)
    with pytest.raises(ParameterError, match="layout is 'all_alike'; it must be one in which pixels differ"):
        firmware.of_pixels(firmware.light(beat(1.0)))
