"""The firmware's arithmetic in whole numbers: formats, limits, achieved metrics, and the twin.

Formats (all unsigned): a reading and an envelope are Q0.16 of the ADC's full scale, counts above rest
shifted up to 16 bit. The follower keeps 24 more bits. A level is Q4.12 octave: the place of the envelope's
top bit and the 12 bits behind it, straight within each octave, at most 0.52 dB under 4096·log2(envelope);
on average a unit is 0.00147 dB. A duty is a code of 16 bit. Products are kept whole; look-ups round half
up, scaling rounds down; nothing saturates but what says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from envlab.digital.fixed_words import FixedState, FixedWords
from envlab.digital.followers import (
    AttackRelease,
    Follower,
    MovingMaximum,
    MovingMean,
    OnePole,
    PassThrough,
    follow,
)
from envlab.errors import ParameterError, check_positive, check_range
from envlab.units import FloatArray, IntArray

WORD = 1 << 16
LEVEL_UNITS_PER_DB = 4096 / (20 * math.log10(2))
LONGEST_ERROR = 0.10
FIRMWARE_FOLLOWERS = (PassThrough, OnePole, AttackRelease, MovingMean, MovingMaximum)


@dataclass(frozen=True)
class FixedCoefficient:
    """One time constant as the firmware holds it: the share factor/2^fraction of the way in each period.

    time_s: asked for, s. fraction: 16 or 24 bits behind the point.
    """

    time_s: float
    rate_hz: float
    factor: int
    fraction: int

    @property
    def share(self) -> float:
        """Share of the remaining way taken in one period."""
        return float(self.factor / (1 << self.fraction))

    @property
    def achieved_s(self) -> float:
        """Time constant of that share, s."""
        return -1.0 / (self.rate_hz * math.log1p(-self.share))

    @property
    def error(self) -> float:
        """Achieved over asked time constant, less 1."""
        return self.achieved_s / self.time_s - 1.0


def fixed_coefficient(time_s: float, rate_hz: float, *, name: str = "time_s") -> FixedCoefficient:
    """Return the firmware's coefficient nearest to 1 - exp(-1/(rate_hz*time_s)).

    A 16 bit factor with 24 bits of fraction while the share is below 1/256, else with 16. Raises
    ParameterError for a time constant that the format cannot hold within 10 %: under a tenth of a period,
    or over some millions of periods.
    """
    check_positive("rate_hz", rate_hz, unit="Hz")
    check_positive(name, time_s, unit="s")
    share = -math.expm1(-1.0 / (rate_hz * time_s))
    fraction = 24 if share * (1 << 24) < WORD - 0.5 else 16
    factor = round(share * (1 << fraction))
    shortest_s, longest_s = 1.0 / (rate_hz * math.log(WORD)), (1 << 24) / (5 * rate_hz)
    limit = f"from {shortest_s:.3g} to {longest_s:.3g} s at {rate_hz:g} Hz"
    if not 0 < factor < WORD:
        raise ParameterError(name, time_s, limit)
    found = FixedCoefficient(time_s, rate_hz, factor, fraction)
    if abs(found.error) > LONGEST_ERROR:
        raise ParameterError(name, time_s, limit)
    return found


@dataclass(frozen=True)
class FixedFollower:
    """The attack/release follower of the firmware.

    attack_s, release_s: time constants asked for, s. rate_hz: ADC rate.
    """

    attack_s: float
    release_s: float
    rate_hz: float = 1000.0

    def __post_init__(self) -> None:
        fixed_coefficient(self.attack_s, self.rate_hz, name="attack_s")
        fixed_coefficient(self.release_s, self.rate_hz, name="release_s")

    @property
    def attack(self) -> FixedCoefficient:
        """The attack as the firmware holds it."""
        return fixed_coefficient(self.attack_s, self.rate_hz, name="attack_s")

    @property
    def release(self) -> FixedCoefficient:
        """The release as the firmware holds it."""
        return fixed_coefficient(self.release_s, self.rate_hz, name="release_s")


def has_firmware_follower(follower: Follower) -> bool:
    """Whether the firmware has a follower that does what this one does."""
    return isinstance(follower, FIRMWARE_FOLLOWERS)


def fixed_follower(follower: Follower, rate_hz: float) -> FixedFollower:
    """Return the firmware's follower for a float one.

    No follower, or a time of 0, becomes an eighth of a period: within 1/3000 of the reading at once; so does
    a moving mean or maximum, which the firmware takes of what it has followed (FixedWords.moving_readings).
    Raises ParameterError for a follower that the firmware does not have.
    """
    check_positive("rate_hz", rate_hz, unit="Hz")
    at_once = 1.0 / (8.0 * rate_hz)
    if isinstance(follower, PassThrough | MovingMean | MovingMaximum):
        return FixedFollower(at_once, at_once, rate_hz)
    if isinstance(follower, OnePole):
        return FixedFollower(follower.time_s or at_once, follower.time_s or at_once, rate_hz)
    if isinstance(follower, AttackRelease):
        return FixedFollower(follower.attack_s or at_once, follower.release_s or at_once, rate_hz)
    name = type(follower).__name__
    have = "PassThrough, OnePole, AttackRelease, MovingMean or MovingMaximum, which the firmware has"
    raise ParameterError("follower", name, have)


@dataclass(frozen=True)
class Gate:
    """Light only above the quiet: opens and closes at two levels above the window's floor (or the noise).

    open_db, close_db: dB, 0 to 40, close_db not above open_db. Both 0: the gate is always open.
    """

    open_db: float = 1.0
    close_db: float = 0.5

    def __post_init__(self) -> None:
        check_range("open_db", self.open_db, 0.0, 40.0, unit="dB")
        check_range("close_db", self.close_db, 0.0, self.open_db, unit="dB")


def justify(counts: IntArray, adc_bits: int) -> IntArray:
    """Return ADC counts, any shape, as readings: shifted up so that full scale has 16 bit."""
    check_adc_bits(adc_bits)
    codes = np.asarray(counts, dtype=np.int64)
    if codes.size and (codes.min() < 0 or codes.max() >= 1 << adc_bits):
        raise ParameterError("counts", int(codes.max()), f"from 0 to {(1 << adc_bits) - 1}")
    return codes << (16 - adc_bits)


def check_adc_bits(adc_bits: int) -> None:
    """Raise ParameterError unless the ADC has 6 to 16 bit."""
    if isinstance(adc_bits, bool) or not isinstance(adc_bits, int):
        raise ParameterError("adc_bits", adc_bits, "a whole number")
    check_range("adc_bits", adc_bits, 6, 16, unit="bit")


def level_of(envelope_word: float) -> float:
    """Return the level (Q4.12, not rounded) of an envelope word, 1 to 16 times 65536, the full scale."""
    check_range("envelope_word", envelope_word, 1.0, 16.0 * WORD)
    mantissa, exponent = math.frexp(envelope_word)
    return 4096.0 * (exponent - 1 + 2.0 * mantissa - 1.0)


def word_of(level: float) -> float:
    """Return the envelope word, not rounded, of a level, 0 to 20 octaves: the inverse of level_of."""
    check_range("level", level, 0.0, 20.0 * 4096)
    octave = math.floor(level / 4096)
    return math.ldexp(1.0 + level / 4096 - octave, octave)


def level_units(level_db: float) -> int:
    """Return a level difference in dB in whole level units, 1/4096 octave each."""
    return round(level_db * LEVEL_UNITS_PER_DB)


@dataclass(frozen=True)
class FixedTrace:
    """What the twin did after each reading: envelope word and duty (readings,), states (readings, 21).

    The columns of states are in the order of FixedState.
    """

    envelope: IntArray
    duty: IntArray
    states: IntArray
    end: FixedState


def run_twin(
    words: FixedWords,
    codes: IntArray,
    readings: IntArray,
    *,
    state: FixedState | None = None,
    offsets: IntArray | None = None,
) -> FixedTrace:
    """Step the firmware's twin through readings (n,), each 0..65535, as justify gives them.

    codes: the runtime's table. state: what a run before ended with, None for the start. offsets (n,): a step
    of the decibel offset that the wearer chooses before that reading, or -1. Bit for bit the C runtime.
    FixedTrace.states is (n, 21) in the order of FixedState. Two runs equal one.
    """
    from envlab.digital import fixed_kernels as kernels

    given = _words_of("readings", readings)
    trace = np.empty((given.size, 2 + len(FixedState._fields)), np.int64)
    begin = kernels.start(words) if state is None else state
    chosen = _chosen(offsets, given.size)
    table = np.ascontiguousarray(codes, dtype=np.int64)
    end = kernels.run(words, begin, table, given, chosen, trace)
    return FixedTrace(trace[:, 0], trace[:, 1], trace[:, 2:], FixedState(*(int(v) for v in end)))


def awake_state(words: FixedWords) -> FixedState:
    """Return the state of a runtime whose start is over: faded in, the zero where the design has it.

    For looking at one stage by itself; a board begins in the dark, see run_twin without a state.
    """
    from envlab.digital import fixed_kernels as kernels

    awake: FixedState = kernels.start(words)._replace(mute=0, fade=words.dim, unlearnt=0)
    return awake


@dataclass(frozen=True)
class FrameTrace:
    """What the twin did in each frame, all (frames,).

    envelope: word that the frame took. duty: 16 bit, before guard, limiter and depth. zero: learnt quiescent
    level, in words of a reading with its fraction. window, noise: level units. end: state after the last
    reading. held: what a moving mean or maximum holds then.
    """

    envelope: IntArray
    duty: IntArray
    zero: FloatArray
    window: IntArray
    noise: IntArray
    end: FixedState
    held: IntArray


def run_frames(
    words: FixedWords,
    codes: IntArray,
    readings: IntArray,
    frame_ends: IntArray,
    *,
    state: FixedState | None = None,
    held: IntArray | None = None,
    offsets: IntArray | None = None,
) -> FrameTrace:
    """Follow readings (n,), each 0..65535, and make the duty of frames, as one task or two do on the board.

    frame_ends (frames,): how many of the readings have been followed when a frame takes the envelope, never
    falling, 0..n. Readings after the last frame are followed too, so that two runs equal one, split anywhere:
    the second run's frame_ends count its own readings. codes: the runtime's table. state, held: what a run
    before ended with, None for the start. offsets (frames,): a step of the decibel offset that the wearer
    chooses before that frame, or -1. Raises ParameterError. Bit for bit the C runtime.

    Examples
    --------
    Ten readings to a frame, as 1000 Hz and 100 Hz have; dark, then faded in.

    >>> import envlab
    >>> from envlab.board_firmware import runtime_design
    >>> design = runtime_design(envlab.Chain())
    >>> counts = np.full(5000, 400)
    >>> trace = run_frames(design.words, design.codes, justify(counts, 10), np.arange(10, 5001, 10))
    >>> int(trace.duty[200]), int(trace.duty[499]) == int(design.codes[-1])
    (0, True)
    """
    from envlab.digital import fixed_kernels as kernels

    given = _words_of("readings", readings)
    ends = np.ascontiguousarray(frame_ends, dtype=np.int64)
    if ends.ndim != 1 or (np.diff(ends, prepend=0) < 0).any() or (ends.size and ends[-1] > given.size):
        raise ParameterError("frame_ends", ends.shape, f"a row that never falls, from 0 to {given.size}")
    trace = np.empty((ends.size, 5), np.int64)
    begin = kernels.start(words) if state is None else state
    table = np.ascontiguousarray(codes, dtype=np.int64)
    kept = kernels.start_moving(words) if held is None else np.array(held, np.int64)
    if kept.shape != (2 + words.moving_readings,):
        raise ParameterError("held", kept.shape, f"of shape {(2 + words.moving_readings,)}, as a run left it")
    end = kernels.run_frames(words, begin, table, given, ends, _chosen(offsets, ends.size), kept, trace)
    return FrameTrace(
        trace[:, 0],
        trace[:, 1],
        trace[:, 2] / (1 << kernels.ZERO_BITS),
        trace[:, 3],
        trace[:, 4],
        FixedState(*(int(v) for v in end)),
        kept,
    )


def follow_moving(words: FixedWords, envelopes: IntArray) -> IntArray:
    """Return the moving mean or maximum of envelopes, from rest; bit for bit the C's.

    envelopes and the result: words of 16 bit, shape (n,).

    Examples
    --------
    >>> import envlab
    >>> from envlab.board_firmware import runtime_design
    >>> from envlab.stages import MovingMean
    >>> words = runtime_design(envlab.Chain(follower=MovingMean(0.004))).words
    >>> follow_moving(words, np.array([64, 64, 64, 64, 128])).tolist()
    [16, 32, 48, 64, 80]
    """
    from envlab.digital import fixed_kernels as kernels

    held = kernels.start_moving(words)
    return np.array([kernels.moving(words, held, int(word)) for word in envelopes], np.int64)


def _words_of(name: str, values: IntArray) -> IntArray:
    given = np.ascontiguousarray(values, dtype=np.int64)
    if given.ndim != 1 or (given.size and (given.min() < 0 or given.max() >= WORD)):
        raise ParameterError(name, given.shape, "a row of whole numbers from 0 to 65535")
    return given


def _chosen(offsets: IntArray | None, count: int) -> IntArray:
    chosen = np.full(count, -1, np.int64) if offsets is None else np.ascontiguousarray(offsets, np.int64)
    if chosen.shape != (count,):
        raise ParameterError("offsets", chosen.shape, f"of shape {(count,)}, one for each step")
    return chosen


def float_envelope(
    readings: FloatArray, attack: FixedCoefficient, release: FixedCoefficient, *, zero: int = 0
) -> FloatArray:
    """Return what a float follower with the achieved time constants makes of the same readings, (n,).

    The unit is that of the envelope word. The firmware's envelope is never under it and less than one unit
    of 65536 over it.
    """
    if attack.rate_hz != release.rate_hz:
        raise ParameterError("release", release.rate_hz, f"at the attack's rate_hz of {attack.rate_hz:g}")
    achieved = AttackRelease(attack.achieved_s, release.achieved_s)
    above = np.maximum(np.asarray(readings, dtype=np.float64) - zero, 0.0)
    return follow(above, achieved, rate_hz=attack.rate_hz)[0]
