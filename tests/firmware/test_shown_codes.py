"""envlab.shown_codes against the exported C, run here with its arithmetic watched: every code, bit for bit.

The C is joined as the examples join it; the colours of the example are made white.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from firmware import light_vectors
from firmware.targets import MACHINES, Driver, run_machine
from firmware.targets.driver import STRICT

import envlab
from envlab.board_firmware import runtime_design
from envlab.chain import Chain
from envlab.digital.firmware_settings import FirmwareSettings
from envlab.digital.fixed_point import justify
from envlab.digital.followers import MovingMaximum, MovingMean
from envlab.firmware.export import firmware_files
from envlab.light.curve import BrightnessMap
from envlab.light.flashes.flash import count_flashes
from envlab.shipped import shipped_folder
from envlab.study.exported.light import ExportedFirmware, frame_count
from envlab.study.exported.shown import adc_readings

DRIVER = Path(__file__).parent / "shown_driver.c"
MOST = 10
NO_STEP = 255
# A quick board, so that the guard has work to do.
CHAIN = Chain(
    detector=replace(Chain().detector, attack_ohm=1e3, release_ohm=47e3),
    brightness=BrightnessMap(66.0, 102.0),
)
CHAINS = {
    "16 bit": CHAIN,
    "8 bit": replace(CHAIN, pixel_bits=8),
    "8 bit, limited over the frame": replace(CHAIN, pixel_bits=8, current_limit="frame"),
    "12 bit of 12 bit readings, 120 Hz": replace(
        CHAIN, pixel_bits=12, frame_rate_hz=120.0, adc=replace(CHAIN.adc, bits=12)
    ),
    "8 bit, dithered": replace(CHAIN, pixel_bits=8, dither_bits=2),
    "8 bit, dithered, moving mean": replace(CHAIN, pixel_bits=8, dither_bits=2, follower=MovingMean()),
    "10 bit, moving mean": replace(CHAIN, pixel_bits=10, follower=MovingMean()),
    "16 bit, moving mean of 25": replace(CHAIN, follower=MovingMean(0.025)),
    "12 bit, moving maximum": replace(CHAIN, pixel_bits=12, follower=MovingMaximum()),
}


@pytest.fixture(scope="module")
def clip() -> envlab.Recording:
    """A few loud seconds of the mixed minute."""
    whole = envlab.read_recording(shipped_folder("audio_samples") / "mixed_minute.flac", 98.0)
    return replace(whole, pressure_pa=whole.pressure_pa[: 8 * round(whole.sample_rate_hz)])


def c_codes(
    chain: Chain, counts: np.ndarray, sensitivity: str, guard: bool, folder: Path, step: int | None = None
) -> np.ndarray:
    """Return the codes (frames, refreshes) that the C shows of readings, in counts."""
    settings = FirmwareSettings(sensitivity, "on" if guard else "off")
    design = runtime_design(replace(chain, firmware=settings), level=settings.level)
    files = firmware_files(design, design_digest="shown codes")
    files |= {name: (light_vectors.EXAMPLES / name).read_text("ascii") for name in ("lantern.h", "board.h")}
    lantern = (light_vectors.EXAMPLES / "lantern.c").read_text("ascii")
    rows = re.compile(r"(?<=ENVLAB_ROM = \{)[^}]*(?=\};)")
    files["lantern.c"] = rows.sub(lambda found: re.sub(r"\d+u", "65535u", found[0]), lantern)
    for name, text in files.items():
        (folder / name).write_text(text, "ascii")
    refreshes = round(design.refresh_hz / design.brightness_rate_hz)
    given = {"MOST": f"{MOST}u", "REFRESHES": f"{refreshes}u", "GUARDED": int(guard)}
    driver = Driver(
        (DRIVER, *(folder / name for name in files if name.endswith(".c"))),
        2 * MOST + 2,
        2 * refreshes,
        include=(folder,),
        defines=tuple(f"{name}={value}" for name, value in given.items()),
        warnings=STRICT,
    )
    stimuli = _stimuli(chain, counts, step)
    got = run_machine(MACHINES["host-gcc-undefined"], driver, stimuli, folder)
    return np.frombuffer(got, "<u2").reshape(-1, refreshes)


def _stimuli(chain: Chain, counts: np.ndarray, step: int | None) -> bytes:
    """Each frame follows the readings up to the latest at its time: frame n shows reading floor(n/ratio)."""
    readings = justify(counts, chain.adc.bits)
    frames = frame_count(chain, readings.size)
    ends = np.floor(np.arange(frames) * chain.adc.rate_hz / chain.frame_rate_hz + 1e-9).astype(int) + 1
    packed = np.zeros(frames, [("count", "u1"), ("readings", "<u2", (MOST,)), ("step", "u1")])
    packed["step"] = NO_STEP
    packed["step"][0] = NO_STEP if step is None else step
    for n, (first, last) in enumerate(zip(np.append(0, ends[:-1]), ends, strict=True)):
        packed["count"][n] = last - first
        packed["readings"][n, : last - first] = readings[first:last]
    return packed.tobytes()


@pytest.mark.parametrize("name", CHAINS)
@pytest.mark.parametrize(("sensitivity", "guard"), [("none", True), ("none", False), ("automatic", True)])
def test_every_code_is_the_one_that_the_c_shows(clip, name, sensitivity, guard, tmp_path):
    chain = CHAINS[name]
    shown = envlab.shown_codes(chain, clip, sensitivity, guard)
    wanted = c_codes(chain, adc_readings(chain, clip), sensitivity, guard, tmp_path)
    np.testing.assert_array_equal(shown.reshape(wanted.shape), wanted)
    assert shown.ndim == (2 if chain.dither_bits else 1)
    assert shown.max() > 0


@pytest.mark.parametrize("step", [0, 4])
def test_a_step_of_the_button_is_the_one_that_the_c_takes(clip, step, tmp_path):
    readings = adc_readings(CHAIN, clip)
    shown = ExportedFirmware(CHAIN, "steps", step=step).light(readings).codes
    np.testing.assert_array_equal(shown, c_codes(CHAIN, readings, "steps", True, tmp_path, step)[:, 0])


def test_noise_is_drawn_as_the_chain_draws_it(clip, tmp_path):
    readings = adc_readings(CHAIN, clip, np.random.default_rng(5))
    np.testing.assert_array_equal(readings, CHAIN.run(clip, np.random.default_rng(5)).adc_counts)
    shown = envlab.shown_codes(CHAIN, clip, rng=np.random.default_rng(5))
    np.testing.assert_array_equal(shown, c_codes(CHAIN, readings, "none", True, tmp_path)[:, 0])


def test_the_clip_is_one_that_the_guard_acts_on(clip):
    """So that the comparisons above prove something of it."""
    free = ExportedFirmware(CHAIN).light(adc_readings(CHAIN, clip), guard=False)
    assert count_flashes(free.luminance, CHAIN.frame_rate_hz) > 3
    held = ExportedFirmware(CHAIN).light(adc_readings(CHAIN, clip))
    assert held.held.any()


def test_other_sensitivities_and_guards_are_refused(clip):
    with pytest.raises(envlab.errors.ParameterError, match="sensitivity is 'fixed'"):
        envlab.shown_codes(CHAIN, clip, "fixed")
    with pytest.raises(envlab.errors.ParameterError, match="guard is 'on'"):
        envlab.shown_codes(CHAIN, clip, guard="on")
