"""Everything that the runtime needs to know about one design, in physical units, and the words it becomes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from envlab.digital.auto_level import AdaptWords, AutoLevel, LevelControl, OffsetSteps, adapt_words
from envlab.digital.fixed_frame import LEAST_LIMIT, SUM_MOST, Dither
from envlab.digital.fixed_point import LEVEL_UNITS_PER_DB, FixedFollower, Gate, level_units
from envlab.digital.fixed_words import WORD_MOST, FixedWords, check_words
from envlab.errors import ParameterError, check_positive, check_range
from envlab.firmware.level_table import MOST_SEGMENTS, UNITS_PER_ENTRY, LevelTable
from envlab.light.pixels import Pixels, Supply, idle_current_a
from envlab.light.table import LookupTable
from envlab.units import IntArray

EVEN_ENTRIES = 257
ENTRIES_PER_OCTAVE = 16


@dataclass(frozen=True)
class RuntimeDesign:
    """What the firmware does from a reading to the pixels.

    table: a LevelTable; or a LookupTable of 16 bit over the ADC's range, either with the index "octave" and
    16 entries per doubling, or with 257 even entries (which know no decibels: level must be None and the
    gate open). quiescent_counts: ADC reading at silence. brightness_rate_hz: rate at which the duty is
    computed, the follower's rate or less. level: what moves the brightness window; None leaves it where the
    design has it. dim: factor on every duty, above 0 to 1. pixels, supply: for the limiter over a frame.
    dither: None where the pixels' own depth will do.
    """

    table: LevelTable | LookupTable
    follower: FixedFollower
    adc_bits: int = 10
    quiescent_counts: int = 0
    brightness_rate_hz: float = 100.0
    gate: Gate = field(default_factory=Gate)
    level: LevelControl | None = None
    dim: float = 1.0
    pixels: Pixels = field(default_factory=Pixels)
    supply: Supply = field(default_factory=Supply)
    dither: Dither | None = None

    def __post_init__(self) -> None:
        check_range("quiescent_counts", self.quiescent_counts, 0, (1 << self.adc_bits) - 2)
        check_positive("brightness_rate_hz", self.brightness_rate_hz, unit="Hz")
        check_range("brightness_rate_hz", self.brightness_rate_hz, high=self.follower.rate_hz, unit="Hz")
        check_range("dim", self.dim, 1.0 / 65536, 1.0)
        _check_table(self)
        check_words(self.words, int(self.codes.size))
        check_range("channels", self.channels, 1, SUM_MOST // 0xFFFF)
        if self.sum_limit < LEAST_LIMIT:
            raise ParameterError(
                "limit_a", self.supply.limit_a, "enough for one full channel beside the idle"
            )

    @property
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
    def sum_limit(self) -> int:
        """Largest sum of all channels' duties that the supply bears, one full channel being 65535."""
        spare_a = self.supply.limit_a - idle_current_a(self.pixels)
        full = spare_a / self.pixels.channel_supply_a(self.supply.volts)
        return min(int(full * 0xFFFF), self.channels * 0xFFFF)

    @property
    def adapt(self) -> AdaptWords | None:
        """Speeds of the automatic level as the firmware has them; None without one."""
        return adapt_words(self.level, self.brightness_rate_hz) if isinstance(self.level, AutoLevel) else None

    @property
    def words(self) -> FixedWords:
        """The runtime's parameters."""
        attack, release = self.follower.attack, self.follower.release
        cap = max(int(self.dim * 65536), 1) - 1
        window, range_level, rest = _window(self.table, self.adc_bits)
        fixed = FixedWords(
            rest=self.quiescent_counts << (16 - self.adc_bits),
            attack_factor=attack.factor,
            attack_fraction=attack.fraction,
            release_factor=release.factor,
            release_fraction=release.fraction,
            level_index=int(range_level > 0),
            range_level=range_level,
            automatic=0,
            adapt_every=1,
            window_start=window,
            window_least=window,
            window_most=window,
            window_rise=0,
            window_fall=0,
            noise_most=0,
            noise_rise=0,
            gate_open=level_units(self.gate.open_db),
            gate_close=level_units(self.gate.close_db),
            rest_duty=(rest * cap + rest) >> 16,
            cap=cap,
            window_least_sensitive=window,
            offset_step=0,
            offset_steps=1,
        )
        return _with_level(fixed, self.level, self.adapt)


def _with_level(words: FixedWords, level: LevelControl | None, adapt: AdaptWords | None) -> FixedWords:
    if isinstance(level, OffsetSteps):
        step = level_units(level.step_db)
        least = words.window_start + level_units(level.least_db)
        _check_room("least_db", level.least_db, least)
        _check_room("steps", level.steps, least - (level.steps - 1) * step)
        return words._replace(
            window_start=least - level.design_step * step,
            window_least_sensitive=least,
            offset_step=step,
            offset_steps=level.steps,
        )
    if isinstance(level, AutoLevel) and adapt is not None:
        _check_room("down_db", level.down_db, words.window_start - level_units(level.down_db) - adapt.fall)
        _check_room("up_db", level.up_db, words.window_start + level_units(level.up_db) + adapt.rise)
        return words._replace(
            automatic=1,
            adapt_every=adapt.every,
            window_least=words.window_start - level_units(level.down_db),
            window_most=words.window_start + level_units(level.up_db),
            window_rise=adapt.rise,
            window_fall=adapt.fall,
            noise_most=level_units(level.noise_most_db),
            noise_rise=adapt.noise_rise,
        )
    return words


def _check_room(name: str, value: float, window: int) -> None:
    if not 0 <= window <= WORD_MOST:
        beyond_db = (-window if window < 0 else window - WORD_MOST) / LEVEL_UNITS_PER_DB
        raise ParameterError(
            name, value, f"such that the window stays {beyond_db:.1f} dB nearer to the design"
        )


def _window(table: LevelTable | LookupTable, adc_bits: int) -> tuple[int, int, int]:
    """Return where the window stands, how wide it is (0 for a table even in counts), and the duty at rest."""
    if isinstance(table, LevelTable):
        return table.window, table.range_level, table.rest_duty
    rest = int(table.duty_codes[0])
    if table.index == "even":
        return 0, 0, rest
    # One count is the first entry, and the top bit of a reading of one count stands this high.
    return (16 - adc_bits) * 4096, (table.entries - 1) * UNITS_PER_ENTRY, rest


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
