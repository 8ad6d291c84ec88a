"""Everything that the runtime needs to know about one design, in physical units, and the words it becomes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from envlab.digital.auto_level import (
    AdaptWords,
    AutoLevel,
    LevelControl,
    OffsetSteps,
    adapt_words,
    converter_floor_counts,
)
from envlab.digital.fixed_frame import (
    Dither,
    FrameWords,
    check_frame_words,
    full_code,
    highest_threshold,
    most_dither_bits,
    pixel_code,
    scale_words,
)
from envlab.digital.fixed_point import LEVEL_UNITS_PER_DB, FixedFollower, Gate, level_of, level_units
from envlab.digital.fixed_words import MOST_MOVING, WORD_MOST, FixedWords, check_words, mean_factor
from envlab.digital.followers import MovingMaximum, MovingMean, readings_of_window
from envlab.digital.guard.guard_words import GuardWords
from envlab.digital.guard.picture_guard import counted_bits, frame_guard_words, picture_slack_codes
from envlab.digital.light_path import LightPath
from envlab.digital.pixel_layout import LayoutTable
from envlab.digital.quiescent import LearntQuiescent, StartUp, ZeroWords, zero_words
from envlab.errors import ParameterError, check_positive, check_range
from envlab.firmware.example_colours import lantern_colours
from envlab.firmware.level_table import MOST_SEGMENTS, UNITS_PER_ENTRY, LevelTable
from envlab.light.layout.layout import Layout
from envlab.light.layout.table import layout_table
from envlab.light.pixels import Pixels, Supply, frame_words
from envlab.light.table import LookupTable
from envlab.light.timing import check_sending
from envlab.units import IntArray
from envlab.worked_out import WorksOut, worked_out_once

EVEN_ENTRIES = 257
ENTRIES_PER_OCTAVE = 16
SOUND_DB = 6.0
FLASH_SHARE = 0.1


@dataclass(frozen=True)
class RuntimeDesign(WorksOut):
    """What the firmware does from a reading to the pixels.

    table: a LevelTable; or a LookupTable of 16 bit over the ADC's range, either with the index "octave" and
    16 entries per doubling, or with 257 even entries (which know no decibels: level must be None and the
    gate open). quiescent_counts: ADC reading at silence. noise_lsb: standard deviation of a reading at
    silence, LSB. brightness_rate_hz: rate at which the duty is computed, the follower's rate or less. level:
    what moves the brightness window; None leaves it where the design has it. dim: factor on every duty,
    above 0 to 1. pixels, supply: for the limiter over a frame. pixel_bits: depth of a pixel's code, 8 to 16.
    dither: None where the pixels' own depth will do. quiescent: how the reading at silence is learnt.
    start_up: mute and fade-in. guard: whether the flash guard watches the light. moving: what a frame shows
    of several readings; None: the latest. layout: which pixels light.
    """

    table: LevelTable | LookupTable
    follower: FixedFollower
    adc_bits: int = 10
    quiescent_counts: int = 0
    noise_lsb: float = 0.3
    brightness_rate_hz: float = 100.0
    gate: Gate = field(default_factory=Gate)
    level: LevelControl | None = None
    dim: float = 1.0
    pixels: Pixels = field(default_factory=Pixels)
    supply: Supply = field(default_factory=Supply)
    dither: Dither | None = None
    pixel_bits: int = 16
    quiescent: LearntQuiescent = field(default_factory=LearntQuiescent)
    start_up: StartUp = field(default_factory=StartUp)
    guard: bool = True
    moving: MovingMean | MovingMaximum | None = None
    layout: Layout = field(default_factory=Layout)

    def __post_init__(self) -> None:
        check_range("quiescent_counts", self.quiescent_counts, 0, (1 << self.adc_bits) - 2)
        check_range("noise_lsb", self.noise_lsb, 0.0, 100.0, unit="LSB")
        check_positive("brightness_rate_hz", self.brightness_rate_hz, unit="Hz")
        check_range("brightness_rate_hz", self.brightness_rate_hz, high=self.follower.rate_hz, unit="Hz")
        check_range("dim", self.dim, 1.0 / 65536, 1.0)
        _check_table(self)
        check_words(self.words, int(self.codes.size))
        _check_frame(self)
        _ = self.layout_table, self.guard_words

    @worked_out_once
    def codes(self) -> IntArray:
        """The runtime's table, 16 bit codes."""
        codes = self.table.duty_codes
        if isinstance(self.table, LookupTable) and self.table.index == "octave":
            return np.append(codes, codes[-1])
        return codes

    @property
    def channels(self) -> int:
        """Number of channels of all pixels."""
        return self.pixels.count * self.pixels.channels

    @property
    def refresh_hz(self) -> float:
        """Rate at which the pixels are written, Hz."""
        return self.brightness_rate_hz if self.dither is None else self.dither.refresh_hz

    @worked_out_once
    def frame_words(self) -> FrameWords:
        """What the frame part works with; its limit is what the supply bears beside the dark pixels."""
        return frame_words(
            self.pixels,
            self.supply,
            bits=self.pixel_bits,
            dither_bits=0 if self.dither is None else self.dither.bits,
            refresh_hz=self.refresh_hz,
        )

    @worked_out_once
    def layout_table(self) -> LayoutTable | None:
        """Which pixels light, in the firmware's numbers; None where all pixels are alike."""
        if self.layout.is_all_alike:
            return None
        return layout_table(
            self.layout,
            self.frame_words,
            brightest_duty=self.brightest_duty,
            frame_rate_hz=self.brightness_rate_hz,
        )

    @worked_out_once
    def brightest_duty(self) -> int:
        """Duty word at full light, dimmed as everything is; at least 1."""
        return max(int(scale_words(self.codes[-1], self.words.dim)), 1)

    @worked_out_once
    def light_path(self) -> LightPath:
        """Twin of all that makes light of readings, in the example lantern's colours, unguarded."""
        colours = lantern_colours(self.pixels.channels)
        refreshes = max(round(self.refresh_hz / self.brightness_rate_hz), 1)
        return LightPath(
            self.words, self.codes, self.frame_words, colours, refreshes, layout=self.layout_table
        )

    @worked_out_once
    def guard_words(self) -> GuardWords | None:
        """What the flash guard works with, allowing for the colours of the example lantern; None without one.

        Raises ParameterError for a light so dim that one code of it is a flash.
        """
        if not self.guard:
            return None
        frame, picture, brightest = self.frame_words, self.light_path, self.brightest_duty
        highest = highest_threshold(frame.bits, frame.dither_bits)
        white = int(pixel_code(np.array(brightest), frame.bits, highest)) * self.channels
        shown = min(brightest, picture.largest_duty)
        slack = picture_slack_codes(frame, picture.chain_colours, max(shown, 1), picture.layout)
        if picture.layout is not None:
            # What is judged is white.
            plain = np.full(self.channels, 65_535)
            slack = max(slack, picture_slack_codes(frame, plain, brightest, picture.layout))
        return frame_guard_words(
            frame,
            self.brightness_rate_hz,
            brightest,
            # A layout is made so that white fits at its brightest.
            fits_always=picture.layout is not None or white <= frame.limit,
            slack_codes=slack,
            bits=counted_bits(frame, picture.layout),
        )

    @worked_out_once
    def moving_readings(self) -> int:
        """How many envelopes a frame shows the mean or the maximum of; 1: the latest alone.

        Raises ParameterError for a window of more readings than the firmware keeps.
        """
        if self.moving is None:
            return 1
        readings = readings_of_window(self.moving, self.follower.rate_hz)
        if readings > MOST_MOVING:
            longest_s = MOST_MOVING / self.follower.rate_hz
            limit = f"at most {longest_s:g} s, {MOST_MOVING} readings, which is what the firmware keeps"
            raise ParameterError("window_s", self.moving.window_s, limit)
        return readings

    @property
    def adapt(self) -> AdaptWords | None:
        """Speeds of the automatic level as the firmware has them; None without one."""
        return adapt_words(self.level, self.brightness_rate_hz) if isinstance(self.level, AutoLevel) else None

    @worked_out_once
    def zero(self) -> ZeroWords:
        """How the quiescent level is learnt, in the firmware's numbers."""
        return zero_words(
            self.quiescent,
            self.quiescent_counts,
            adc_bits=self.adc_bits,
            rate_hz=self.follower.rate_hz,
            noise_lsb=self.noise_lsb,
        )

    @property
    def converter_window(self) -> int:
        """Level unit under which the converter's own noise would show: no sensitivity goes below it."""
        counts = converter_floor_counts(self.noise_lsb)
        return math.ceil(level_of(min(counts * (1 << (16 - self.adc_bits)), WORD_MOST)))

    @property
    def lowest_window_db(self) -> float:
        """How far the sensitivity may take the window from where the design has it, dB, 0 or below."""
        words = self.words
        steps = words.window_least_sensitive - (words.offset_steps - 1) * words.offset_step
        lowest = words.window_least if words.automatic else steps
        return (lowest - _window(self.table, self.adc_bits)[0]) / LEVEL_UNITS_PER_DB

    @property
    def _moving_factor(self) -> int:
        has_mean = isinstance(self.moving, MovingMean) and self.moving_readings > 1
        return mean_factor(self.moving_readings) if has_mean else 0

    @worked_out_once
    def words(self) -> FixedWords:
        """The runtime's parameters."""
        attack, release, zero = self.follower.attack, self.follower.release, self.zero
        dim = max(int(self.dim * 65536), 1) - 1
        window, range_level, base_duty = _window(self.table, self.adc_bits)
        block_s = (1 << zero.block_bits) / self.follower.rate_hz
        fixed = FixedWords(
            zero_start=zero.start,
            zero_least=zero.least,
            zero_most=zero.most,
            zero_reach=zero.reach,
            zero_still=zero.still,
            zero_rise=zero.rise,
            zero_fall=zero.fall,
            zero_block_bits=zero.block_bits,
            attack_factor=attack.factor,
            attack_fraction=attack.fraction,
            release_factor=release.factor,
            release_fraction=release.fraction,
            level_index=int(range_level > 0),
            range_level=range_level,
            automatic=0,
            adapt_every=1,
            judge_every=1,
            window_start=window,
            window_least=window,
            window_most=window,
            window_rise=0,
            window_fall=0,
            window_step=0,
            full_most=0,
            patience=1,
            window_band=0,
            window_aim=0,
            sound_level=0,
            noise_most=0,
            noise_rise=0,
            gate_open=level_units(self.gate.open_db),
            gate_close=level_units(self.gate.close_db),
            mute_frames=self.start_up.frames(self.brightness_rate_hz, block_s),
            fade_step=max(math.floor(dim / (self.start_up.fade_s * self.brightness_rate_hz)), 1),
            base_duty=base_duty,
            dim=dim,
            window_least_sensitive=window,
            offset_step=0,
            offset_steps=1,
            moving_readings=self.moving_readings,
            moving_factor=self._moving_factor,
        )
        if isinstance(self.level, OffsetSteps):
            return _with_steps(fixed, self.level, self.converter_window)
        if isinstance(self.level, AutoLevel):
            return _with_automatic(fixed, self.level, self)
        return fixed


def _with_steps(words: FixedWords, level: OffsetSteps, converter_window: int) -> FixedWords:
    step = level_units(level.step_db)
    least = words.window_start + level_units(level.least_db)
    _check_room("least_db", level.least_db, least)
    start = least - level.design_step * step
    _check_room("steps", level.steps, least - (level.steps - 1) * step)
    # A step that would show the converter's noise is left out; that of the design never is.
    lowest = max(min(converter_window, start), 0)
    steps = min(level.steps, (least - lowest) // max(step, 1) + 1)
    return words._replace(
        window_start=start, window_least_sensitive=least, offset_step=step, offset_steps=steps
    )


def _with_automatic(words: FixedWords, level: AutoLevel, design: RuntimeDesign) -> FixedWords:
    adapt = adapt_words(level, design.brightness_rate_hz)
    start, range_level = words.window_start, words.range_level
    least = max(start - level_units(level.down_db), min(start, design.converter_window))
    most = start + level_units(level.up_db)
    # Steps and band shrink with a narrow window, where a decibel is more of the light.
    step = min(level_units(level.step_db), range_level // 12)
    band = min(level_units(level.band_db), range_level // 3)
    _check_room("down_db", level.down_db, start - level_units(level.down_db))
    _check_room("up_db", level.up_db, most)
    return words._replace(
        automatic=1,
        adapt_every=adapt.every,
        judge_every=adapt.judge_every,
        window_least=least,
        window_most=most,
        window_rise=adapt.rise,
        window_fall=adapt.fall,
        window_step=step,
        full_most=adapt.full_most,
        patience=adapt.patience,
        window_band=band,
        window_aim=min(level_units(level.aim_db), band),
        sound_level=min(least + level_units(SOUND_DB), WORD_MOST),
        noise_most=min(level_units(level.noise_most_db), _unseen(design.codes, words)),
        noise_rise=adapt.noise_rise,
    )


def _unseen(codes: IntArray, words: FixedWords) -> int:
    """Return how high the noise may creep, level units, so that an opening gate is no change for a flash."""
    faint = int(np.searchsorted(codes, FLASH_SHARE * codes[-1])) - 1
    return max(faint * UNITS_PER_ENTRY - words.gate_open, 0)


def _check_room(name: str, value: float, window: int) -> None:
    if not 0 <= window <= WORD_MOST:
        beyond_db = (-window if window < 0 else window - WORD_MOST) / LEVEL_UNITS_PER_DB
        raise ParameterError(
            name, value, f"such that the window stays {beyond_db:.1f} dB nearer to the design"
        )


def _window(table: LevelTable | LookupTable, adc_bits: int) -> tuple[int, int, int]:
    """Return where the window stands, how wide it is (0 for a table even in counts), and the base duty."""
    if isinstance(table, LevelTable):
        return table.window, table.range_level, table.base_duty
    base_duty = int(table.duty_codes[0])
    if table.index == "even":
        return 0, 0, base_duty
    # One count is the first entry, and the top bit of a reading of one count stands this high.
    return (16 - adc_bits) * 4096, (table.entries - 1) * UNITS_PER_ENTRY, base_duty


def _check_frame(design: RuntimeDesign) -> None:
    words = design.frame_words
    if words.limit < full_code(design.pixel_bits):
        raise ParameterError(
            "limit_a", design.supply.limit_a, "enough for one full channel beside the dark pixels"
        )
    if design.dither is not None:
        limit = f"at most {most_dither_bits(design.pixel_bits)} behind pixels of {design.pixel_bits} bit"
        if design.dither.bits > most_dither_bits(design.pixel_bits):
            raise ParameterError("dither_bits", design.dither.bits, limit)
        check_sending(design.pixels, design.pixel_bits, "refresh_hz", design.dither.refresh_hz)
    check_frame_words(words)


def _check_table(design: RuntimeDesign) -> None:
    table = design.table
    if isinstance(table, LevelTable):
        if table.adc_bits != design.adc_bits:
            raise ParameterError("adc_bits", design.adc_bits, f"the table's, {table.adc_bits}")
        return
    if table.bits != 16 or table.full_scale_counts != 1 << design.adc_bits:
        raise ParameterError("table", table.bits, f"16 bit deep, over {1 << design.adc_bits} counts")
    if table.index == "octave":
        if table.steps_per_octave != ENTRIES_PER_OCTAVE or table.entries > MOST_SEGMENTS + 1:
            limit = f"{ENTRIES_PER_OCTAVE} for each doubling, {MOST_SEGMENTS + 1} at most"
            raise ParameterError("table", table.entries, limit)
        return
    if table.entries != EVEN_ENTRIES:
        raise ParameterError("table", table.entries, f"a LevelTable or {EVEN_ENTRIES} even entries")
    if design.level is not None or design.gate != Gate(0.0, 0.0):
        raise ParameterError("level", design.level, "None, and the gate open, with a table even in counts")
