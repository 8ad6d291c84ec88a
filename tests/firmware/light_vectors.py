"""Readings for the whole light path and what its twin shows, for every machine that runs it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from firmware import twin_vectors

from envlab.digital.auto_level import OffsetSteps
from envlab.digital.fixed_frame import Dither
from envlab.digital.fixed_point import FixedFollower
from envlab.digital.followers import MovingMaximum, MovingMean
from envlab.digital.light_path import LightPath, run_light_path
from envlab.firmware.export import firmware_files
from envlab.firmware.level_table import LevelTable, build_level_table
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.light.curve import CountMap
from envlab.light.pixels import Pixels, Supply

HERE = Path(__file__).parent
EXAMPLES = HERE.parents[1] / "envlab" / "firmware" / "examples"
DRIVER = HERE / "light_path_driver.c"
READINGS = 10
NO_OFFSET = 255


@dataclass(frozen=True)
class LightCase:
    """One design and its twin."""

    design: RuntimeDesign

    @property
    def refreshes(self) -> int:
        """How often each frame is written."""
        return self.design.light_path.refreshes

    @property
    def unguarded(self) -> LightPath:
        """The twin without its guard."""
        return self.design.light_path

    @property
    def path(self) -> LightPath:
        """The twin."""
        return replace(self.unguarded, guard=self.design.guard_words)

    @property
    def files(self) -> dict[str, str]:
        """The text of every file that the driver needs, by its name."""
        examples = {
            name: (EXAMPLES / name).read_text("ascii") for name in ("lantern.c", "lantern.h", "board.h")
        }
        return firmware_files(self.design, design_digest="light path") | examples

    @property
    def parts(self) -> tuple[str, ...]:
        """The C files that are compiled beside the driver."""
        return tuple(name for name in self.files if name.endswith(".c"))

    @property
    def defines(self) -> tuple[str, ...]:
        """What the driver is told of the case."""
        return (f"READINGS={READINGS}u", f"REFRESHES={self.refreshes}u")

    @property
    def record(self) -> np.dtype:
        """One frame as the driver writes it."""
        code = "u1" if self.design.pixel_bits == 8 else "<u2"
        return np.dtype([("duty", "<u2"), ("codes", code, (self.refreshes, self.design.channels))])


def full_table(**changes) -> RuntimeDesign:
    """The yoke with a table up to full, which only the frame limiter keeps within the supply."""
    return _yoke(build_level_table(CountMap(4.0, 700.0), adc_bits=10), **changes)


def _scaled(bits: int) -> RuntimeDesign:
    table = build_level_table(CountMap(4.0, 700.0), adc_bits=10, duty_limit=0.2755, pixel_bits=bits)
    return _yoke(table, pixel_bits=bits)


def _yoke(table: LevelTable, **changes) -> RuntimeDesign:
    """Quick enough to flash, so that the guard has work to do."""
    quick = FixedFollower(0.002, 0.02)
    values = {"table": table, "follower": quick, "brightness_rate_hz": 100.0, "dim": 1.0}
    return twin_vectors.parade_design(**{**values, **changes})


CASES = {
    "scaled table, 8 bit": LightCase(_scaled(8)),
    "full table, 8 bit, dithered": LightCase(
        full_table(
            brightness_rate_hz=400.0, pixel_bits=8, dither=Dither(2, 800.0), level=OffsetSteps(7, 3.0, 9.0)
        ),
    ),
    "full table, 16 bit": LightCase(full_table()),
    "full table, 8 bit, moving mean": LightCase(full_table(pixel_bits=8, moving=MovingMean(READINGS / 1000))),
    "full table, 16 bit, moving maximum": LightCase(full_table(moving=MovingMaximum(READINGS / 1000))),
    "full table, 12 bit, four channels, no guard": LightCase(
        full_table(
            pixel_bits=12, pixels=Pixels(11, 4, 0.150, 0.0), supply=Supply(1.0), level=None, guard=False
        ),
    ),
}


def stimuli(frames: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Return readings (frames·READINGS,) that go to both ends, and the offset step of each frame or -1.

    From the middle on it is a beat of any speed, loud enough to flash.
    """
    base = twin_vectors.CASES["parade"]
    readings, _ = twin_vectors.stimulus(base, frames * READINGS, seed)
    rng = np.random.default_rng(seed)
    half = readings.size // 2
    lengths = rng.integers(20, 300, half // 20 + 1)
    levels = 2.0 ** rng.uniform(11, 16, lengths.size) * (np.arange(lengths.size) % 2)
    readings[half:] = np.repeat(levels.astype(np.int64), lengths)[: readings.size - half]
    often = rng.random(frames) < 0.01
    return readings, np.where(often, rng.integers(0, 9, frames), -1)


def stimulus_bytes(readings: np.ndarray, offsets: np.ndarray) -> bytes:
    """Return the stimuli as light_path_driver.c reads them."""
    packed = np.empty(offsets.size, [("readings", "<u2", (READINGS,)), ("offset", "u1")])
    packed["readings"] = readings.reshape(-1, READINGS)
    packed["offset"] = np.where(offsets < 0, NO_OFFSET, offsets)
    return packed.tobytes()


STIMULUS_BYTES = 2 * READINGS + 1


def expected(case: LightCase, readings: np.ndarray, offsets: np.ndarray) -> np.ndarray:
    """Return the records that light_path_driver.c must write, by the Python twin."""
    ends = READINGS * np.arange(1, offsets.size + 1)
    trace = run_light_path(case.path, readings, ends, offsets=offsets)
    made = np.empty(offsets.size, case.record)
    made["duty"], made["codes"] = trace.duty, trace.codes
    return made
