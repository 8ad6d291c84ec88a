"""What the firmware costs on an 8 bit processor: cycles, bytes, share of its time, pixels included.

Measured, not estimated: cycles by the counter of a processor simulator, the worst of each call found by a
search over states (tests/firmware/measured_cost.py prints these rows anew; test_measured_cost.py holds them,
and 10^6 random calls never passed one), bytes of the linked program. What a processor does while it sends a
frame to the pixels is not in it: common practice, no source: 30 µs a pixel where it cannot do anything else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from envlab.digital.auto_level import AutoLevel
from envlab.digital.sampled_audio import processor_share
from envlab.errors import ParameterError, check_positive
from envlab.firmware.runtime_design import RuntimeDesign

Optimised = Literal["-O1", "-Os", "-O2"]


class Build(NamedTuple):
    """A kind of 8 bit processor, with a multiplier or without, and how its compiler is told to optimise."""

    multiplier: bool
    optimised: Optimised


class Figures(NamedTuple):
    """Worst cycles of one call, the call included, and bytes.

    follow: of each reading, handed over to the frames. level, automatic: of a brightness, with a window that
    stays or moves by steps, and with one that follows the music. guard: of the flash guard. frame: of a frame
    besides these, and channel: of each channel of each pixel in it, limit and depth included. level_code,
    automatic_code: bytes of the whole program but the table. memory: bytes, but for one or two a channel.
    """

    follow: int
    level: int
    automatic: int
    guard: int
    frame: int
    channel: int
    level_code: int
    automatic_code: int
    memory: int


class MovingFigures(NamedTuple):
    """What a moving mean or maximum adds: worst cycles of each reading, and bytes of the program.

    mean: cycles, whatever its length. maximum: cycles, and scanned for each of its readings, which are gone
    through when the maximum leaves. code: bytes. It keeps two bytes a reading and MOVING_MEMORY in all.
    """

    mean: int
    maximum: int
    scanned: int
    code: int


class LayoutFigures(NamedTuple):
    """What a layout of light adds: worst cycles of each pixel of a frame and of each frame, bytes of program.

    A frame goes through its pixels twice. code: besides the layout's table, boot check and example included.
    It keeps LAYOUT_MEMORY bytes.
    """

    pixel: int
    frame: int
    code: int


MOVING_MEMORY = 5
LAYOUT_MEMORY = 6


# The worst found, rounded up to the next 5 cycles (1 for a channel) and 10 bytes.
BUILDS: dict[Build, Figures] = {
    Build(True, "-Os"): Figures(315, 240, 370, 305, 255, 272, 3410, 3770, 140),
    Build(True, "-O1"): Figures(325, 240, 375, 295, 285, 279, 3560, 4010, 140),
    Build(True, "-O2"): Figures(320, 235, 370, 295, 250, 260, 3840, 4240, 140),
    Build(False, "-Os"): Figures(600, 620, 760, 300, 485, 666, 3490, 3880, 140),
    Build(False, "-O1"): Figures(400, 610, 760, 295, 510, 663, 3770, 4250, 140),
    Build(False, "-O2"): Figures(395, 595, 735, 290, 490, 660, 4080, 4510, 140),
}


# Rounded up likewise, 1 for a scanned reading; measured on falls, rises and jumps.
MOVING: dict[Build, MovingFigures] = {
    Build(True, "-Os"): MovingFigures(100, 100, 17, 290),
    Build(True, "-O1"): MovingFigures(105, 65, 20, 290),
    Build(True, "-O2"): MovingFigures(105, 50, 21, 360),
    Build(False, "-Os"): MovingFigures(345, 50, 21, 260),
    Build(False, "-O1"): MovingFigures(170, 60, 20, 540),
    Build(False, "-O2"): MovingFigures(175, 50, 18, 610),
}


# Rounded up to the next 5 cycles and 10 bytes; measured on a travelling group of all pixels.
LAYOUT: dict[Build, LayoutFigures] = {
    Build(True, "-Os"): LayoutFigures(210, 95, 530),
    Build(True, "-O1"): LayoutFigures(215, 95, 560),
    Build(True, "-O2"): LayoutFigures(205, 100, 860),
    Build(False, "-Os"): LayoutFigures(440, 120, 490),
    Build(False, "-O1"): LayoutFigures(450, 80, 490),
    Build(False, "-O2"): LayoutFigures(435, 90, 810),
}


@dataclass(frozen=True)
class RuntimeCost:
    """Cost of one design on an 8 bit processor, at most, but for what sends the codes to the pixels.

    reading_cycles: of each reading. frame_cycles: of each frame, pixels included; pixel_cycles of them for
    the pixels. processor_share: of all its cycles. flash_bytes: code and table. memory_bytes: data memory.
    """

    clock_hz: float
    build: Build
    reading_cycles: int
    frame_cycles: int
    pixel_cycles: int
    processor_share: float
    flash_bytes: int
    memory_bytes: int


def runtime_cost(
    design: RuntimeDesign,
    *,
    clock_hz: float = 16e6,
    multiplier: bool = True,
    optimised: Optimised = "-Os",
) -> RuntimeCost:
    """Return what a design costs on an 8 bit processor, an upper bound.

    clock_hz: above 0, Hz. multiplier: whether the processor has one. optimised: what its compiler was told.
    The figures are those of the example program; where the design dithers, each refresh counts as the pixels
    of a frame. Raises ParameterError.
    """
    check_positive("clock_hz", clock_hz, unit="Hz")
    build = Build(multiplier, optimised)
    if build not in BUILDS:
        raise ParameterError("optimised", optimised, "-O1, -Os or -O2")
    figures, automatic = BUILDS[build], isinstance(design.level, AutoLevel)
    layout, shared = design.layout_table, LAYOUT[build]
    pixel_cycles = figures.frame + figures.channel * design.channels
    if layout is not None:
        pixel_cycles += shared.frame + shared.pixel * layout.pixels
    brightness = figures.automatic if automatic else figures.level
    frame_cycles = brightness + pixel_cycles + (figures.guard if design.guard else 0)
    share = processor_share(frame_cycles, design.brightness_rate_hz, clock_hz)
    more_hz = max(design.refresh_hz - design.brightness_rate_hz, 0.0)
    if more_hz > 0.0:
        share += processor_share(pixel_cycles, more_hz, clock_hz)
    code = figures.automatic_code if automatic else figures.level_code
    readings, moving = design.moving_readings, MOVING[build]
    reading_cycles = figures.follow
    memory = figures.memory + design.channels * (1 if design.pixel_bits == 8 else 2)
    if readings > 1:
        is_mean = design.words.moving_factor > 0
        reading_cycles += moving.mean if is_mean else moving.maximum + moving.scanned * readings
        code, memory = code + moving.code, memory + MOVING_MEMORY + 2 * readings
    if layout is not None:
        code, memory = code + shared.code + layout.table_bytes, memory + LAYOUT_MEMORY
    share += processor_share(reading_cycles, design.follower.rate_hz, clock_hz)
    return RuntimeCost(
        clock_hz=clock_hz,
        build=build,
        reading_cycles=reading_cycles,
        frame_cycles=frame_cycles,
        pixel_cycles=pixel_cycles,
        processor_share=share,
        flash_bytes=code + 2 * int(design.codes.size),
        memory_bytes=memory,
    )
