"""The whole light path of the firmware in whole numbers: ADC readings in, codes of the pixels out.

Reading → follower → brightness → flash guard → colour → current limit → depth and dither → code, each the
twin of its C part, joined as the examples join them: the follower at every reading, the rest once a frame,
the last two at every refresh. Bit for bit what the board sends to its pixels.

The guard counts on the duty that all pixels share. Before it the duty is held at the largest one that the
current limit leaves as it is, so that the limit takes nothing away from what the guard has counted. What the
guard holds is never more than that or the duty at which all channels at full fit, so the limit grants it.
A layout of light stands behind the guard and shares the duty out among the pixels; why the guard then counts
the light of the whole stands in envlab.light.layout.layout.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from envlab.digital.fixed_frame import (
    WORD_MOST,
    FrameWords,
    check_frame_words,
    frame_codes,
    highest_threshold,
    pixel_code,
    refresh_thresholds,
    scale_words,
)
from envlab.digital.fixed_point import run_frames
from envlab.digital.fixed_words import FixedState, FixedWords
from envlab.digital.guard.flash_guard import run_guard
from envlab.digital.guard.guard_words import GuardState, GuardWords
from envlab.digital.pixel_layout import LayoutState, LayoutTable, picture_places, standing_duties, turned
from envlab.errors import ParameterError, check_range
from envlab.units import BoolArray, IntArray

PHASES = 256


@dataclass(frozen=True, eq=False)
class LightPath:
    """All that makes light of readings.

    words, table: of the runtime. frame: of the frame part. colours (rows, channels of a pixel): words, 65535
    is full; the rows repeat along the chain. refreshes: how often a frame is written, 1 to 255. guard: None
    for a light that nothing guards. layout: which pixels light; None: all alike.
    """

    words: FixedWords
    table: IntArray
    frame: FrameWords
    colours: IntArray
    refreshes: int = 1
    guard: GuardWords | None = None
    layout: LayoutTable | None = None

    def __post_init__(self) -> None:
        check_frame_words(self.frame)
        if self.layout is not None and self.layout.pixels != self.frame.pixels:
            raise ParameterError("layout", self.layout.pixels, f"of {self.frame.pixels} pixels, as the chain")
        check_range("refreshes", self.refreshes, 1, PHASES - 1)
        colours = np.array(self.colours, np.int64)
        if colours.ndim != 2 or colours.shape[1] != self.frame.channels or not colours.size:
            raise ParameterError("colours", colours.shape, f"rows of {self.frame.channels} words")
        if colours.min() < 0 or colours.max() > WORD_MOST:
            raise ParameterError("colours", int(colours.max()), f"words from 0 to {WORD_MOST}")
        colours.setflags(write=False)
        object.__setattr__(self, "colours", colours)

    @property
    def chain_colours(self) -> IntArray:
        """Colour words (pixels·channels,) of every channel of the chain, pixel by pixel."""
        return np.resize(self.colours, (self.frame.pixels, self.frame.channels)).ravel()

    def asked(self, duties: IntArray) -> IntArray:
        """Return the duty words (frames, channels of the chain) of duties (frames,), the picture standing."""
        given = np.asarray(duties, np.int64)
        if self.layout is None:
            return scale_words(given[:, None], self.chain_colours)
        pixels = standing_duties(self.layout, given)
        return scale_words(np.repeat(pixels, self.frame.channels, axis=1), self.chain_colours)

    @property
    def largest_duty(self) -> int:
        """Largest duty (0 to 65535) that the current limit leaves as it is; this picture is full there."""
        fits, fails = 0, WORD_MOST + 1
        highest = highest_threshold(self.frame.bits, self.frame.dither_bits)
        while fails - fits > 1:
            duty = (fits + fails) // 2
            asked = pixel_code(self.asked(np.array([duty])), self.frame.bits, highest)
            fits, fails = (duty, fails) if asked.sum() <= self.frame.limit else (fits, duty)
        return fits


class LightState(NamedTuple):
    """All that the light path carries from one frame to the next; phase: of the dither pattern, 0..255.

    held: what a moving mean or maximum holds. layout: where a travelling picture stands.
    """

    runtime: FixedState | None = None
    guard: GuardState | None = None
    phase: int = 0
    held: tuple[int, ...] | None = None
    layout: LayoutState | None = None


@dataclass(frozen=True, eq=False)
class LightTrace:
    """What was shown, frame by frame.

    wanted, duty (frames,): words before and behind the guard. held (frames,): whether the guard altered them.
    codes (frames, refreshes, channels of the chain). end: state after the last reading.
    """

    wanted: IntArray
    duty: IntArray
    held: BoolArray
    codes: IntArray
    end: LightState


def run_light_path(
    path: LightPath,
    readings: IntArray,
    frame_ends: IntArray,
    *,
    state: LightState | None = None,
    offsets: IntArray | None = None,
) -> LightTrace:
    """Return the codes that the firmware sends to the pixels for readings (n,), each 0..65535.

    frame_ends (frames,): how many readings have been followed when a frame takes the envelope, as run_frames
    has it. offsets (frames,): steps of the sensitivity, or -1. state: what a run before ended with, None for
    the start. Two runs equal one.

    >>> from envlab import read_design
    >>> from envlab.board_firmware import runtime_design
    >>> from envlab.shipped import demo_design
    >>> design = runtime_design(read_design(demo_design()))
    >>> white = np.full((1, 3), 65_535)
    >>> path = LightPath(design.words, design.codes, design.frame_words, white)
    >>> trace = run_light_path(path, np.full(100, 40_000), np.arange(10, 101, 10))
    >>> trace.codes.shape
    (10, 1, 72)
    """
    begin = LightState() if state is None else state
    held_before = None if begin.held is None else np.array(begin.held)
    trace = run_frames(
        path.words, path.table, readings, frame_ends, state=begin.runtime, held=held_before, offsets=offsets
    )
    wanted, guard = trace.duty, begin.guard
    duty, held = wanted, np.zeros(wanted.size, np.bool_)
    if path.guard is not None:
        wanted = np.minimum(wanted, path.largest_duty)
        duty, held, guard = run_guard(path.guard, wanted, state=guard)
    phase = (begin.phase + duty.size * path.refreshes) % PHASES
    codes = show_frames(path, duty, begin.phase, begin.layout)
    stands = None if path.layout is None else picture_places(path.layout, duty.size, begin.layout)[1]
    end = LightState(trace.end, guard, phase, tuple(trace.held.tolist()), stands)
    return LightTrace(wanted, duty, held, codes, end)


def show_frames(
    path: LightPath, duties: IntArray, phase: int = 0, layout: LayoutState | None = None
) -> IntArray:
    """Return the codes (frames, refreshes, channels of the chain) of duties (frames,), words.

    phase: of the dither pattern before the first refresh, 0..255. layout: where a travelling picture stood
    before the first frame, None for the start.
    """
    asked = path.asked(duties)
    shown = np.empty((len(asked), path.refreshes, asked.shape[1]), np.int64)
    counted = phase + 1 + np.arange(len(asked) * path.refreshes).reshape(len(asked), path.refreshes)
    phases = counted % (1 << path.frame.dither_bits)
    for value in np.unique(phases):
        thresholds = refresh_thresholds(path.frame, int(value))
        for refresh in range(path.refreshes):
            of_phase = phases[:, refresh] == value
            shown[of_phase, refresh] = frame_codes(path.frame, asked[of_phase], thresholds)
    if path.layout is None or not path.layout.travels:
        return shown
    places, _ = picture_places(path.layout, len(asked), layout)
    return turned(shown, places * path.frame.channels)
