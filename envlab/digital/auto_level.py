"""How the brightness window finds the music: by itself, or in steps that the wearer chooses.

The window is the range of level between first light and full light. Its width is fixed by the design; what
moves is where it stands. Both ways move it in level (octave) units, where a shift is a subtraction: the
firmware needs no division, and no new table. A shift by whole octaves (6.02 dB) is exact; any other is true
within 0.52 dB, since a level runs straight within each octave.
"""

from __future__ import annotations

from dataclasses import dataclass

from envlab.digital.fixed_point import LEVEL_UNITS_PER_DB, level_units
from envlab.errors import ParameterError, check_positive, check_range


@dataclass(frozen=True)
class AutoLevel:
    """The window stays where the music's peaks come near the ceiling, and moves when they no longer do.

    Every judge_s it looks at the peaks. Full light for more than full_share of the time is borne for
    patience_s, a shout, say; then the window goes up by step_db a judgement. Peaks more than band_db under
    the ceiling for two judgements let it go down until they are aim_db under it. In between it stays: that
    is what keeps it from pumping. Silence for patience_s takes it down to where the design has it. While the
    light is still muted at start, it goes up or down all the way at once.

    rise_db_s, fall_db_s: speeds of the window on its way, dB/s. down_db, up_db: how far it may go below and
    above where the design has it, dB; the converter's noise may set a nearer limit downwards, as
    converter_floor_counts says. noise_rise_db_s: speed at which a noise level creeps up under the music; it
    drops at once to every quieter moment. noise_most_db: highest noise level above the window's floor, dB.
    judge_s, patience_s: s. full_share: 0 to 1. step_db, band_db: dB; in a window narrower than 36 dB they
    are at most a twelfth and a third of its width.
    """

    rise_db_s: float = 6.0
    fall_db_s: float = 6.0
    down_db: float = 20.0
    up_db: float = 12.0
    noise_rise_db_s: float = 0.3
    noise_most_db: float = 1.0
    judge_s: float = 1.0
    full_share: float = 0.5
    patience_s: float = 4.0
    step_db: float = 3.0
    band_db: float = 12.0
    aim_db: float = 8.0

    def __post_init__(self) -> None:
        check_range("rise_db_s", self.rise_db_s, 0.01, 200.0, unit="dB/s")
        check_range("fall_db_s", self.fall_db_s, 0.01, 200.0, unit="dB/s")
        check_range("down_db", self.down_db, 0.0, 90.0, unit="dB")
        check_range("up_db", self.up_db, 0.0, 90.0, unit="dB")
        check_range("noise_rise_db_s", self.noise_rise_db_s, 0.01, 200.0, unit="dB/s")
        check_range("noise_most_db", self.noise_most_db, 0.0, 40.0, unit="dB")
        check_range("judge_s", self.judge_s, 0.1, 10.0, unit="s")
        check_range("full_share", self.full_share, 0.0, 1.0)
        check_range("patience_s", self.patience_s, self.judge_s, 60.0, unit="s")
        check_range("step_db", self.step_db, 0.1, 40.0, unit="dB")
        check_range("band_db", self.band_db, 0.0, 40.0, unit="dB")
        check_range("aim_db", self.aim_db, 0.0, self.band_db, unit="dB")


@dataclass(frozen=True)
class OffsetSteps:
    """A few sensitivities for a button: step 0 is the least sensitive, each further one is step_db more.

    steps: 1 to 64. step_db: dB, above 0. least_db: how much less sensitive step 0 is than the design, dB.
    design_step is the step at which the window stands nearest to the design.
    """

    steps: int = 7
    step_db: float = 3.0
    least_db: float = 9.0

    def __post_init__(self) -> None:
        if isinstance(self.steps, bool) or not isinstance(self.steps, int):
            raise ParameterError("steps", self.steps, "a whole number")
        check_range("steps", self.steps, 1, 64)
        check_positive("step_db", self.step_db, unit="dB")
        check_range("step_db", self.step_db, high=40.0, unit="dB")
        check_range("least_db", self.least_db, -60.0, 60.0, unit="dB")

    @property
    def design_step(self) -> int:
        """The step at which the window stands nearest to where the design has it."""
        return min(max(round(self.least_db / self.step_db), 0), self.steps - 1)


LevelControl = AutoLevel | OffsetSteps


@dataclass(frozen=True)
class AdaptWords:
    """An AutoLevel in whole numbers: level units for each adaptation, one adaptation every so many steps.

    judge_every: adaptations from one judgement of the peaks to the next. full_most: adaptations at full light
    that are not yet too many. patience: judgements.
    """

    every: int
    judge_every: int
    full_most: int
    patience: int
    rise: int
    fall: int
    noise_rise: int
    rate_hz: float

    @property
    def rise_db_s(self) -> float:
        """Achieved speed upwards, dB/s."""
        return self.rise * self.rate_hz / (self.every * LEVEL_UNITS_PER_DB)

    @property
    def fall_db_s(self) -> float:
        """Achieved speed downwards, dB/s."""
        return self.fall * self.rate_hz / (self.every * LEVEL_UNITS_PER_DB)

    @property
    def noise_rise_db_s(self) -> float:
        """Achieved speed of the noise level, dB/s."""
        return self.noise_rise * self.rate_hz / (self.every * LEVEL_UNITS_PER_DB)

    @property
    def judge_s(self) -> float:
        """Achieved time from one judgement of the peaks to the next, s."""
        return self.judge_every * self.every / self.rate_hz


def adapt_words(control: AutoLevel, rate_hz: float) -> AdaptWords:
    """Return the whole numbers of an AutoLevel whose steps come at rate_hz.

    It adapts as seldom as keeps each move within 0.25 dB and twenty adaptations to a judgement, every 2 to
    255 steps: the seldomer, the finer the speeds. A speed is at least one unit for each adaptation.
    """
    check_positive("rate_hz", rate_hz, unit="Hz")
    seldom_s = min(0.25 / max(control.rise_db_s, control.fall_db_s), control.judge_s / 20)
    every = min(max(int(seldom_s * rate_hz), 2), 255)
    judge_every = min(max(round(control.judge_s * rate_hz / every), 1), 255)

    def units(speed_db_s: float) -> int:
        return max(level_units(speed_db_s * every / rate_hz), 1)

    return AdaptWords(
        every,
        judge_every,
        int(control.full_share * judge_every),
        min(max(round(control.patience_s / control.judge_s), 1), 255),
        units(control.rise_db_s),
        units(control.fall_db_s),
        units(control.noise_rise_db_s),
        rate_hz,
    )


def converter_floor_counts(noise_lsb: float) -> float:
    """Return the lowest floor, counts of envelope, at which the converter's own noise stays dark.

    Half an LSB for rounding, and four standard deviations of a reading, noise_lsb. No sensitivity takes the
    window's floor below it, unless the design itself has it there.
    """
    check_range("noise_lsb", noise_lsb, 0.0, unit="LSB")
    return 0.5 + 4.0 * noise_lsb
