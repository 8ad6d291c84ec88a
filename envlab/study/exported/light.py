"""The light that a board's exported firmware makes of its readings, bit for bit, by the firmware's twin.

What is shown is white: every channel of a pixel is asked for the same duty. Where the design dithers, a frame
is written several times, and the codes are those of the first pixel. A layout of light shares the duty out
among the pixels; the luminance is then that of the whole.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from envlab.analog.adc import convert
from envlab.board_firmware import runtime_design
from envlab.chain import Chain
from envlab.digital.auto_level import OffsetSteps
from envlab.digital.firmware_settings import level_control
from envlab.digital.fixed_frame import full_code, pixel_code
from envlab.digital.fixed_point import justify, run_frames
from envlab.digital.fixed_words import FixedState
from envlab.digital.followers import follow
from envlab.digital.guard.flash_guard import run_guard
from envlab.digital.guard.guard_words import GuardWords
from envlab.digital.guard.picture_guard import picture_light
from envlab.digital.light_path import PHASES, LightPath, show_frames
from envlab.digital.pixel_layout import LAYOUT_START, LayoutState, LayoutTable, picture_places
from envlab.errors import ParameterError
from envlab.firmware.runtime_design import RuntimeDesign
from envlab.light.lightness import lightness_cie1976
from envlab.light.table import LookupTable
from envlab.units import BoolArray, FloatArray, IntArray

GuardSetting = Literal["on", "off", "none"]
RUNNING_S = 10.0
AT_ONCE = 16 * PHASES
READ_AT_ONCE = 1 << 18


@dataclass(frozen=True, eq=False)
class Remembered:
    """What the firmware remembers of the readings.

    runtime: the runtime's state. held: what a moving mean or maximum holds, words of 16 bit, as
    fixed_kernels.start_moving. layout: where a travelling picture stands.
    """

    runtime: FixedState
    held: IntArray
    layout: LayoutState = LAYOUT_START


@dataclass(frozen=True, eq=False)
class ExportedLight:
    """What frames show, frame n at n/frame_rate_hz.

    codes: (frames,), at the pixel's depth, as if all pixels were alike; (frames, refreshes) where the design
    dithers. duty: (frames,), words of 16 bit behind the guard. held: (frames,), whether the guard changed the
    frame. luminance: (frames,), Y over the brightest state of the limited costume, of a dithered frame over
    all its pattern; with a layout of the whole, over its own brightest. full_duty: that state's share of full
    current. layout: which pixels light, None: all alike. stands: where a travelling picture stood before.
    """

    codes: IntArray
    duty: IntArray
    held: BoolArray
    luminance: FloatArray
    full_duty: float
    layout: LayoutTable | None = None
    stands: LayoutState = LAYOUT_START

    @property
    def lightness(self) -> FloatArray:
        """CIE L* (frames,), 0 to 100."""
        return lightness_cie1976(self.luminance)

    @property
    def held_share(self) -> float:
        """Share of the frames that the guard changed, 0 to 1."""
        return float(self.held.mean()) if self.held.size else 0.0


class ExportedFirmware:
    """One board's firmware at one sensitivity, made once, to be run on many readings."""

    def __init__(self, chain: Chain, sensitivity: str = "none", *, step: int | None = None) -> None:
        """step: of the button, 0 the least sensitive; None where the design has it.

        Raises ParameterError for a board whose firmware cannot be exported (runtime_design says why).
        """
        self.chain, self._step = chain, step
        self.design: RuntimeDesign = runtime_design(chain, level=level_control(sensitivity))
        self._table = chain.brightness_table()
        self._path = _white_path(self.design)
        self._alike = replace(self._path, layout=None)
        self._largest_duty = self._path.largest_duty

    @property
    def steps(self) -> int:
        """How many sensitivities its button has; 1 without one."""
        return self.design.words.offset_steps

    @property
    def design_step(self) -> int:
        """The step of its button at which the window stands where the design has it; 0 without one."""
        level = self.design.level
        return min(level.design_step, self.steps - 1) if isinstance(level, OffsetSteps) else 0

    def running(self) -> Remembered:
        """Return the state of a board that has been on for RUNNING_S of silence."""
        chain = self.chain
        silent = convert(np.full(round(RUNNING_S * chain.adc.rate_hz), chain.quiescent_v), chain.adc)
        return self.after(silent, self._frame_ends(silent.size))

    def after(
        self, adc_counts: ArrayLike, frame_ends: IntArray, *, state: Remembered | None = None
    ) -> Remembered:
        """Return the state behind readings; arguments as light.

        adc_counts: whole counts, shape (n,). frame_ends (frames,): how many of them each has behind it.
        """
        return self._run(np.asarray(adc_counts), frame_ends, state)[1]

    def light(
        self,
        adc_counts: ArrayLike,
        *,
        guard: bool = True,
        state: Remembered | None = None,
        frame_ends: IntArray | None = None,
    ) -> ExportedLight:
        """Return the light of readings (n,), whole counts as the converter gives them, at its rate.

        guard: whether the flash guard is on. state: what the firmware remembers, as running gives it; None:
        it has just been switched on. frame_ends (frames,): how many of the readings each frame has behind it;
        None: the first frame begins with the first reading.
        """
        duty, held = self._guarded(np.asarray(adc_counts), frame_ends, state, guard=guard)
        codes, layout = self._codes(duty), self._path.layout
        if layout is None:
            luminance, full = self._luminance(codes, duty), full_duty(self._table)
        else:
            luminance, full = self._of_whole(duty, layout)
        stands = LAYOUT_START if state is None else state.layout
        return ExportedLight(codes, duty, held, luminance, full, layout, stands)

    def duty(self, adc_counts: ArrayLike, *, guard: bool, state: Remembered | None = None) -> IntArray:
        """Return the duty (frames,) of light alone, words of 16 bit: a fifth of the memory."""
        return self._guarded(np.asarray(adc_counts), None, state, guard=guard)[0]

    def _guarded(
        self, readings: NDArray[Any], frame_ends: IntArray | None, state: Remembered | None, *, guard: bool
    ) -> tuple[IntArray, BoolArray]:
        """Return the duty of the frames behind the guard, and whether it changed them."""
        ends = self._frame_ends(readings.size) if frame_ends is None else frame_ends
        duty, _ = self._run(readings, ends, state)
        if not guard or self._path.guard is None:
            return duty, np.zeros(ends.size, np.bool_)
        shown, held, _ = run_guard(self._path.guard, np.minimum(duty, self._largest_duty))
        return shown, held

    def _run(
        self, counts: NDArray[Any], ends: IntArray, state: Remembered | None
    ) -> tuple[IntArray, Remembered]:
        """Return the duty of the frames and what is remembered then; some readings at a time."""
        duty, shown = np.empty(ends.size, np.int64), 0
        for first in range(0, max(counts.size, 1), READ_AT_ONCE):
            last = min(first + READ_AT_ONCE, counts.size)
            upto = ends.size if last == counts.size else int(np.searchsorted(ends, last, side="right"))
            trace = run_frames(
                self.design.words,
                self.design.codes,
                justify(counts[first:last], self.chain.adc.bits),
                ends[shown:upto] - first,
                state=None if state is None else state.runtime,
                held=None if state is None else state.held,
                offsets=self._offsets(upto - shown, begins=not shown),
            )
            stands = LAYOUT_START if state is None else state.layout
            if self._path.layout is not None:
                stands = picture_places(self._path.layout, upto - shown, stands)[1]
            state = Remembered(trace.end, trace.held, stands)
            duty[shown:upto], shown = trace.duty, upto
        assert state is not None
        return duty, state

    def _frame_ends(self, readings: int) -> IntArray:
        return self.chain.reading_of_frame(frame_count(self.chain, readings)) + 1

    def _offsets(self, frames: int, *, begins: bool) -> IntArray:
        """The button is pressed before the first frame of all."""
        offsets = np.full(frames, -1)
        if self._step is not None and frames and begins:
            offsets[0] = self._step
        return offsets

    def _codes(self, duty: IntArray) -> IntArray:
        if self._path.frame.dither_bits:
            # Whole patterns at a time, so that each portion begins with the same phase.
            portions = np.split(duty, range(AT_ONCE, duty.size, AT_ONCE))
            return np.concatenate([show_frames(self._alike, portion)[:, :, 0] for portion in portions])
        # Without dithering a duty, a word of 16 bit, always has the same code: each is looked up once.
        code_of = np.zeros(1 << 16, dtype=np.int64)
        different = np.flatnonzero(np.bincount(duty, minlength=code_of.size))
        code_of[different] = show_frames(self._alike, different)[:, 0, 0]
        return code_of[duty]

    def of_pixels(self, light: ExportedLight) -> IntArray:
        """Return the codes (frames, pixels) of a light of this firmware with a layout, a code a pixel.

        Where the design dithers (frames, refreshes, pixels). Raises ParameterError without a layout.
        """
        if light.layout is None:
            raise ParameterError("layout", self.chain.layout.kind, "one in which pixels differ")
        shown = show_frames(self._path, light.duty, layout=light.stands)[:, :, :: self.design.pixels.channels]
        return shown if self._path.frame.dither_bits else shown[:, 0]

    def _of_whole(self, duty: IntArray, layout: LayoutTable) -> tuple[FloatArray, float]:
        """Return the luminance of the whole over its brightest, and the brightest's share of full current."""
        frame, brightest = self._path.frame, np.array(self.design.brightest_duty)
        light = picture_light(frame, self._path.chain_colours, np.append(duty, brightest), layout)
        most = frame.pixels * frame.channels * full_code(frame.bits) << frame.dither_bits
        full = max(int(light[-1]), 1)
        return np.minimum(light[:-1] / full, 1.0), full / most

    def _luminance(self, codes: IntArray, duty: IntArray) -> FloatArray:
        table = self._table
        seen = pixel_code(duty, table.bits) if self._path.frame.dither_bits else codes
        return np.minimum(seen / table.brightest_code, 1.0)


def _white_path(design: RuntimeDesign) -> LightPath:
    white = np.full((1, design.pixels.channels), 65_535)
    return replace(design.light_path, colours=white, guard=_guard_of(design))


def _guard_of(design: RuntimeDesign) -> GuardWords | None:
    """The guard that is exported, or that could be; None for a light too dim for one."""
    if design.guard:
        return design.guard_words
    try:
        return replace(design, guard=True).guard_words
    except ParameterError:
        return None


class PlainTable:
    """The brightness table alone, fed by firmware of the maker's own: what Chain makes of the readings.

    It has no guard, no start-up and no sensitivity. It stands in where the runtime lacks a board's follower
    or depth.
    """

    def __init__(self, chain: Chain) -> None:
        self.chain, self._table = chain, chain.brightness_table()

    def running(self) -> None:
        """Return nothing: it does not matter how long it has been on."""

    def after(self, adc_counts: ArrayLike, frame_ends: IntArray, *, state: Remembered | None = None) -> None:
        """Return nothing: light begins with its follower at rest.

        adc_counts: whole counts, shape (n,). frame_ends (frames,): how many of them each has behind it.
        """

    def light(
        self,
        adc_counts: ArrayLike,
        *,
        guard: bool = True,
        state: Remembered | None = None,
        frame_ends: IntArray | None = None,
    ) -> ExportedLight:
        """Return the light of readings (n,), as ExportedFirmware; no frame is ever held.

        frame_ends (frames,): how many of the readings each frame has behind it.
        """
        del guard, state
        counts = np.asarray(adc_counts, dtype=np.int64)
        above = np.maximum(counts - self.chain.quiescent_counts, 0).astype(np.float64)
        envelope, _ = follow(above, self.chain.follower, rate_hz=self.chain.adc.rate_hz)
        frames = frame_count(self.chain, counts.size)
        ends = self.chain.reading_of_frame(frames) + 1 if frame_ends is None else frame_ends
        codes = self._table.look_up(envelope[ends - 1])
        words = codes * 65_535 // self._table.full_code
        luminance = codes / self._table.brightest_code
        return ExportedLight(codes, words, np.zeros(codes.size, bool), luminance, full_duty(self._table))

    def duty(self, adc_counts: ArrayLike, *, guard: bool, state: Remembered | None = None) -> IntArray:
        """Return the duty (frames,) of light alone, words of 16 bit."""
        return self.light(adc_counts, guard=guard, state=state).duty


def worn_light(
    chain: Chain,
    adc_counts: ArrayLike,
    frame_ends: IntArray | None = None,
    *,
    guard: bool | None = None,
    before: tuple[IntArray, IntArray] | None = None,
) -> ExportedLight:
    """Return the light of readings (n,) as it is worn: by the design's own sensitivity and guard.

    The board has been on for RUNNING_S of silence and has then heard before: readings (m,) and the frame_ends
    of its frames. adc_counts: whole counts as the converter gives them, at
    its rate. frame_ends: as ExportedFirmware.light. guard: whether the flash guard is on; None: as the design
    has it. Where the runtime lacks the board's follower or depth, the plain table's.

    >>> from envlab import Chain
    >>> worn_light(Chain(), np.full(1000, 400)).codes.shape
    (100,)
    """
    runs, state = _worn(chain)
    if before is not None:
        state = runs.after(*before, state=state)
    guarded = chain.firmware.is_guarded if guard is None else guard
    return runs.light(adc_counts, guard=guarded, state=state, frame_ends=frame_ends)


def worn_duty(chain: Chain, adc_counts: ArrayLike, *, guard: bool) -> IntArray:
    """Return the duty (frames,) of worn_light alone, words of 16 bit; arguments as there."""
    runs, state = _worn(chain)
    return runs.duty(adc_counts, guard=guard, state=state)


def worn_guard(chain: Chain) -> GuardSetting:
    """Return whether worn_light has the flash guard "on", "off", or "none": the plain table has no guard."""
    runs, _ = _worn(chain)
    if isinstance(runs, PlainTable):
        return "none"
    return "on" if chain.firmware.is_guarded else "off"


@functools.lru_cache(maxsize=16)  # somebody who turns a part asks for the same board again and again
def _worn(chain: Chain) -> tuple[ExportedFirmware | PlainTable, Remembered | None]:
    try:
        runs = ExportedFirmware(chain, chain.firmware.sensitivity)
    except ParameterError:
        return PlainTable(chain), None
    return runs, runs.running()


def full_duty(table: LookupTable) -> float:
    """Return the brightest state of the limited costume, as a share of full current."""
    return table.brightest_code / table.full_code


def frame_count(chain: Chain, readings: int) -> int:
    """Return how many frames begin while so many readings come in."""
    return int(np.ceil(readings * chain.frame_rate_hz / chain.adc.rate_hz - 1e-9))
