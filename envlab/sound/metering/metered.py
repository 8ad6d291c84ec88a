"""A level out of what people have: a phone's recording, and what a meter showed during a stretch of it.

The meter's reading says how many pascals a number of the recording is; so the level of the whole recording
follows. How sure that is, is worked out as [GUM2008] has it: each cause as a standard uncertainty in dB, all
independent, their root sum of squares, times two (right 19 times in 20).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from envlab.errors import ParameterError, check_choice, check_range
from envlab.sound.feed import stretch
from envlab.sound.level import WEIGHTINGS, leq_of
from envlab.sound.level_text import level_text
from envlab.sound.metering.bands import BASS_HZ, TREBLE_HZ, band_shares
from envlab.sound.metering.meter import READINGS, shown_db_spl
from envlab.sound.stream import Sound
from envlab.units import from_db

# ± limits of what shows the level, dB, uniform within. Class 1 and 2 of [IEC61672-1] over the frequencies of
# music; the calibrator with a phone's microphone held to it; a phone's own meter without any calibration.
# Common practice, no source.
METERS = {"class 1": 1.0, "class 2": 2.0, "phone": 6.0, "calibrator": 1.0}
# How far a phone's microphone may be off in bass and treble, ± dB, uniform (common practice, no source).
RECORDER_DB = 3.0
# By how much a person misses the ends of the stretch, s.
ENDS_S = 0.5
COVERAGE = 2.0
# What the meter heard before the stretch still shows in F and S: five time constants of S.
_SETTLE_S = 5.0
_LEAST_S, _MOST_S = 0.5, 3600.0


@dataclass(frozen=True)
class MeterReading:
    """What a meter showed.

    Parameters
    ----------
    shown_db_spl : float
        −40 to 191 dB SPL.
    from_s, to_s : float
        The stretch of the recording during which it was shown, s; at least 0.5 s, at most an hour.
    weighting : str
        What the meter was set to: "A", as most are, "C" or "Z".
    reading : str
        "Leq" over the stretch; "F" or "S" as the eye reads it off a moving display; "Fmax", "Smax".
    meter : str
        "class 1" or "class 2" by its data sheet, "phone" (an uncalibrated phone's own), or "calibrator": the
        stretch is the tone of a calibrator, whose level is what it says on it.
    step_db : float
        Smallest step of the display, 0.01 to 10 dB.
    """

    shown_db_spl: float
    from_s: float
    to_s: float
    weighting: str = "A"
    reading: str = "Leq"
    meter: str = "class 2"
    step_db: float = 0.1

    def __post_init__(self) -> None:
        check_range("shown_db_spl", self.shown_db_spl, -40, 191, unit="dB SPL")
        check_range("from_s", self.from_s, 0, unit="s")
        check_range("to_s", self.to_s, 0, unit="s")
        check_choice("weighting", self.weighting, WEIGHTINGS)
        check_choice("reading", self.reading, READINGS)
        check_choice("meter", self.meter, tuple(METERS))
        check_range("step_db", self.step_db, 0.01, 10, unit="dB")
        if not _LEAST_S <= self.to_s - self.from_s <= _MOST_S:
            limit = f"from {_LEAST_S:g} to {_MOST_S:g} s after from_s, {self.from_s:g} s"
            raise ParameterError("to_s", self.to_s, limit)


@dataclass(frozen=True)
class UncertaintyTerm:
    """One cause of doubt. name: its name. why: how it comes about. standard_db: uncertainty, k = 1, dB."""

    name: str
    why: str
    standard_db: float


@dataclass(frozen=True)
class MeteredLevel:
    """Level of a whole recording.

    level_db_spl: Leq, not weighted. a_db_spl: the same, weighted with A. terms: what makes it doubtful.
    """

    level_db_spl: float
    a_db_spl: float
    terms: tuple[UncertaintyTerm, ...]

    def of(self, name: str) -> float:
        """Return the standard uncertainty of one cause, by its name, dB."""
        return next(term.standard_db for term in self.terms if term.name == name)

    @property
    def standard_db(self) -> float:
        """Root sum of squares of the terms, dB."""
        return math.sqrt(sum(term.standard_db**2 for term in self.terms))

    @property
    def expanded_db(self) -> float:
        """Twice that, dB: the level is within ± this 19 times in 20."""
        return COVERAGE * self.standard_db


def metered_level(clip: Sound, reading: MeterReading, measured: Sound | None = None) -> MeteredLevel:
    """Return the level of a recording, from what a meter showed during a stretch of it.

    Parameters
    ----------
    clip : Recording or SoundStream
        The recording, at any level.
    reading : MeterReading
        What the meter showed, and when.
    measured : Recording or SoundStream or None
        The recording in which the stretch lies, made by the same recorder at the same settings, and scaled
        by as much; None: it lies in the clip.

    Returns
    -------
    MeteredLevel

    Raises
    ------
    ParameterError
        For a stretch that is not within the recording, or in which nothing sounds.

    References
    ----------
    [GUM2008] How uncertainties add.

    Examples
    --------
    >>> import envlab
    >>> from envlab.sound.metering.metered import MeterReading, metered_level
    >>> from envlab.sound.signals import tone
    >>> hum = envlab.Recording(tone(1000.0, 1.0, 10.0, 8000.0), 8000.0)
    >>> found = metered_level(hum, MeterReading(80.0, 2.0, 8.0, meter="class 1"))
    >>> round(found.level_db_spl, 1), round(found.expanded_db, 1)
    (80.0, 1.2)
    """
    source = clip if measured is None else measured
    if reading.to_s > source.duration_s:
        raise ParameterError(
            "to_s", reading.to_s, f"within the recording, which lasts {source.duration_s:g} s"
        )
    in_file, moved_db = _shown(source, reading, reading.from_s, reading.to_s)
    if not math.isfinite(in_file) or in_file < -200:
        raise ParameterError("from_s", reading.from_s, "the start of a stretch in which something sounds")
    louder = reading.shown_db_spl - in_file
    terms = (
        *_of_reading(reading, moved_db, _ends_db(source, reading, in_file)),
        *_of_recorder(clip, source, reading),
    )
    return MeteredLevel(leq_of(clip, "Z") + louder, leq_of(clip, "A") + louder, terms)


def _shown(sound: Sound, reading: MeterReading, from_s: float, to_s: float) -> tuple[float, float]:
    rate_hz = sound.sample_rate_hz
    first, last = round(from_s * rate_hz), round(to_s * rate_hz)
    heard = max(0, first - round(_SETTLE_S * rate_hz))
    pressure_pa = stretch(sound.pieces(), heard, last)
    return shown_db_spl(pressure_pa, rate_hz, reading.weighting, reading.reading, first - heard)


def _ends_db(sound: Sound, reading: MeterReading, in_file: float) -> float:
    """By how much the reading would be another one if either end of the stretch were ENDS_S off, dB."""
    start_s, end_s = reading.from_s, reading.to_s
    moved = [
        (max(0.0, start_s - ENDS_S), end_s),
        (start_s + ENDS_S, end_s),
        (start_s, end_s - ENDS_S),
        (start_s, min(sound.duration_s, end_s + ENDS_S)),
    ]
    found = [_shown(sound, reading, *ends)[0] for ends in moved if ends[1] - ends[0] >= _LEAST_S / 2]
    return max((abs(one - in_file) for one in found if math.isfinite(one)), default=0.0)


def _of_reading(reading: MeterReading, moved_db: float, ends_db: float) -> tuple[UncertaintyTerm, ...]:
    limit_db = METERS[reading.meter]
    shown = f"{reading.reading} {level_text(reading.shown_db_spl, reading.weighting)}"
    return (
        UncertaintyTerm("meter", f"{reading.meter}: ±{limit_db:g} dB", limit_db / math.sqrt(3)),
        UncertaintyTerm(
            "reading", f"{shown}, in steps of {reading.step_db:g} dB", reading.step_db / 2 / math.sqrt(3)
        ),
        UncertaintyTerm("display", f"it moved by ±{moved_db:.1f} dB while it was read", moved_db),
        UncertaintyTerm(
            "stretch", f"ends missed by {ENDS_S:g} s would be {ends_db:.1f} dB", ends_db / math.sqrt(3)
        ),
    )


def _of_recorder(clip: Sound, source: Sound, reading: MeterReading) -> tuple[UncertaintyTerm, ...]:
    """What the recorder's response does to the level of the clip over what the meter heard.

    A recorder that takes RECORDER_DB of the bass away takes them from both, and what is left of it is the
    difference: of a meter set to A, which hears no bass, nearly all of it.
    """
    whole = band_shares(clip.pieces(), clip.sample_rate_hz, "Z")
    rate_hz = source.sample_rate_hz
    first, last = round(reading.from_s * rate_hz), round(reading.to_s * rate_hz)
    during = band_shares([stretch(source.pieces(), first, last)], rate_hz, reading.weighting)
    bands = (("bass", f"under {BASS_HZ:g} Hz"), ("treble", f"over {TREBLE_HZ / 1e3:g} kHz"))
    return tuple(
        UncertaintyTerm(
            f"recorder's {name}",
            f"±{RECORDER_DB:g} dB {where}: {100 * of_clip:.0f} % of the clip's power, "
            f"{100 * of_stretch:.0f} % of what the meter heard",
            max(abs(_louder(of_clip, sign) - _louder(of_stretch, sign)) for sign in (1, -1)) / math.sqrt(3),
        )
        for (name, where), of_clip, of_stretch in zip(bands, whole, during, strict=True)
    )


def _louder(share: float, sign: int) -> float:
    """By how much a level rises when a band with this share of its power rises by RECORDER_DB, dB."""
    return 10 * math.log10(1 + share * (from_db(sign * RECORDER_DB) ** 2 - 1))
