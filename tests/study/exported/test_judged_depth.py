"""The depth that is judged against the codes that the exported firmware writes, dither and follower too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import envlab
from envlab.analog.adc import convert
from envlab.digital.followers import MovingMaximum, MovingMean, PassThrough
from envlab.light.flashes.flash import count_flashes
from envlab.light.lightness import lightness_cie1976
from envlab.metrics.clip_metrics import LIT_LSTAR
from envlab.metrics.contrast import contrast_of_frames
from envlab.shipped import demo_design, shipped_folder
from envlab.stages import PeakDetector, Rectifier
from envlab.study.exported.light import ExportedFirmware

_DEMO = envlab.read_design(demo_design())
# The whole limit and no controller: the bounds below are of that light's depth. A median of windows whose
# ends are a code or two of a coarse depth moves by up to 1.5 L* with the top code (245 to 281 of 10 bit),
# whichever way.
PARADE = replace(_DEMO, supply=replace(_DEMO.supply, margin=0.0, controller_a=0.0))
# For a follower that takes the latest reading alone. On the parade's own gain (15k) the softest of a second
# is then 4 counts above rest. The firmware learns its rest to parts of a count (measured: ±0.06 there), and
# in that dark a step of the depth is 0.75 L*, not the usual 0.32 (10 bits, 1 of dither): the rounding alone
# moves a contrast by up to 0.9 L*. The parts of 0.2 give half as many counts again, from 0 V on: 0.15 L*.
MORE_COUNTS = replace(
    PARADE,
    preamp=replace(PARADE.preamp, feedback_ohm=22e3),
    rectifier=Rectifier(),
    detector=PeakDetector(4.7e3, 1e-6, 220e3),
)


@pytest.fixture(scope="module")
def music() -> envlab.Recording:
    """Eight seconds of the mixed minute."""
    whole = envlab.read_recording(shipped_folder("audio_samples") / "mixed_minute.flac", 92.0)
    return replace(whole, pressure_pa=whole.pressure_pa[: 8 * round(whole.sample_rate_hz)])


@pytest.mark.parametrize(
    "follower", [PassThrough(), MovingMean(), MovingMaximum()], ids=lambda one: type(one).__name__
)
@pytest.mark.parametrize(("bits", "dither_bits"), [(8, 0), (8, 2), (10, 0), (10, 1), (12, 0), (16, 0)])
def test_the_depth_that_is_judged_is_the_one_that_the_exported_code_shows(bits, dither_bits, follower, music):
    """Every metric that hangs on the depth, from the model's frames and from the shown codes themselves."""
    board = MORE_COUNTS if isinstance(follower, PassThrough) else PARADE
    chain = replace(board, pixel_bits=bits, dither_bits=dither_bits, follower=follower)
    run = chain.run(music, np.random.default_rng(4))
    firmware = ExportedFirmware(chain)
    ends = chain.reading_of_frame(run.duty.size) + 1
    shown = firmware.light(run.adc_counts, guard=False, state=firmware.running(), frame_ends=ends)
    codes = shown.codes if dither_bits else shown.codes[:, np.newaxis]
    # One channel's mean over the refreshes of a frame is what is seen of it.
    brightest = firmware.light(np.full(4000, chain.adc.top_code), guard=False).codes[-1].mean()
    seen = lightness_cie1976(np.minimum(codes.mean(axis=1) / brightest, 1.0))
    # A step of the depth, in the dark and at a tenth of full: rounding may fall on either side of it.
    step = 1 / (brightest * 2**dither_bits)
    one_code = lightness_cie1976(step)
    usual = lightness_cie1976(0.1 + step) - lightness_cie1976(0.1)
    assert np.abs(seen - run.lightness).mean() < max(0.3, 0.25 * usual)
    assert np.percentile(np.abs(seen - run.lightness), 99) < max(1.5 * one_code, 1.5)
    assert (seen > LIT_LSTAR).mean() == pytest.approx((run.lightness > LIT_LSTAR).mean(), abs=0.01)
    contrast = contrast_of_frames(run.lightness, chain.frame_rate_hz)
    assert contrast_of_frames(seen, chain.frame_rate_hz) == pytest.approx(contrast, abs=max(0.5, usual))
    flashes = count_flashes(run.relative_luminance, chain.frame_rate_hz)
    assert abs(count_flashes(codes.mean(axis=1) / brightest, chain.frame_rate_hz) - flashes) <= 1
    silent = convert(np.full(6000, chain.quiescent_v), chain.adc, rng=np.random.default_rng(5))
    quiet = firmware.light(silent, guard=False, state=firmware.running())
    assert np.percentile(quiet.lightness, 95) == 0
