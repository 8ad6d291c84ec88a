"""What is played to a board on the bench: marks, silence, steps, bursts, a decay and a sweep, in one WAV.

How long each stretch lasts follows from the design's own attack and release, so that a quick board is done
in some ten seconds and a slow one still comes to rest between two stretches.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass

import numpy as np

from envlab.bench.signals.marks import START_CODE, STOP_CODE
from envlab.chain import Chain
from envlab.errors import check_choice, check_range
from envlab.units import FloatArray

WAYS = ("acoustic", "wire")
SAMPLE_RATE_HZ = 48_000.0
MAIN_HZ = 1000.0
# A small loudspeaker gives nothing below some 300 Hz (common practice, no source).
LOW_HZ = {"acoustic": 300.0, "wire": 60.0}
HIGH_HZ = 5000.0
STEPS_DB = (-36.0, -30.0, -24.0, -18.0, -12.0, -6.0, 0.0)
MARK_DB = -6.0
SWEEP_DB = -6.0
_DECAY_DB = 36.0
# The loudest tone in the file: what a sound card plays without clipping.
FULL_SCALE = 0.9


@dataclass(frozen=True)
class Stretch:
    """One stretch of a bench signal.

    kind: "silence", "mark", "step", "burst", "decay" or "sweep". start_s, duration_s: in the file, s.
    frequency_hz: of its tone, Hz; of a sweep its first. level_db: re the loudest tone; end_level_db,
    end_hz: at its end. code: of a mark, tone on or off, chip by chip.
    """

    kind: str
    start_s: float
    duration_s: float
    frequency_hz: float = 0.0
    level_db: float = 0.0
    end_level_db: float = 0.0
    end_hz: float = 0.0
    code: tuple[int, ...] = ()

    @property
    def end_s(self) -> float:
        """When it ends, s."""
        return self.start_s + self.duration_s

    @property
    def name(self) -> str:
        """As the sheet calls it."""
        if self.kind in ("silence", "mark"):
            return self.kind
        tone = f"{self.frequency_hz:g} Hz"
        if self.kind == "burst":
            return f"burst {tone} {1e3 * self.duration_s:.3g} ms"
        if self.kind == "sweep":
            return f"sweep {tone} to {self.end_hz:g} Hz"
        return f"{self.kind} {tone} {self.level_db:+g} dB"


@dataclass(frozen=True)
class BenchProgram:
    """A bench signal as a list of stretches.

    Parameters
    ----------
    stretches : tuple of Stretch
        In the order of time, without gaps.
    way : str
        "acoustic" or "wire".
    release_s : float
        What the design's release was taken to be, s.
    """

    stretches: tuple[Stretch, ...]
    way: str
    release_s: float

    @property
    def duration_s(self) -> float:
        """Length of the file, s."""
        return self.stretches[-1].end_s

    def of_kind(self, kind: str) -> tuple[Stretch, ...]:
        """Return the stretches of one kind, in the order of time."""
        return tuple(one for one in self.stretches if one.kind == kind)

    @property
    def marks(self) -> tuple[Stretch, Stretch]:
        """Start and stop mark."""
        first, last = self.of_kind("mark")
        return first, last

    def samples(self) -> FloatArray:
        """Return the wave, shape (n,), share of full scale, at SAMPLE_RATE_HZ."""
        wave = np.zeros(round(self.duration_s * SAMPLE_RATE_HZ))
        for one in self.stretches:
            if one.kind != "silence":
                tone = _tone(one)
                first = round(one.start_s * SAMPLE_RATE_HZ)
                wave[first : first + tone.size] = FULL_SCALE * tone
        return wave

    def wav_bytes(self) -> bytes:
        """Return the WAV file: one channel, 16 bit."""
        return _wav_bytes(self.samples())


def bench_program(chain: Chain, way: str = "wire") -> BenchProgram:
    """Return the bench signal for one design.

    Parameters
    ----------
    chain : Chain
        The design; its attack and release say how long things take.
    way : str
        "wire": into the preamp's input capacitor through an attenuator; "acoustic": from a loudspeaker, with
        300 Hz in the place of 60 Hz.

    Returns
    -------
    BenchProgram

    Raises
    ------
    ParameterError
        For another way, or for a detector that takes longer than 20 s to empty.

    Examples
    --------
    >>> import envlab
    >>> from envlab.bench.signals.program import bench_program
    >>> program = bench_program(envlab.Chain())
    >>> [one.frequency_hz for one in program.of_kind("burst")][::3]
    [60.0, 1000.0, 5000.0]
    """
    check_choice("way", way, WAYS)
    answer = chain.tone_response()
    release_s = chain.detector_as_built.slowest_s
    check_range("release_s", release_s, 0, 20, unit="s")
    wait_s = min(max(2.5 * release_s, 0.25), 20.0)
    step_s = min(max(4 * answer.attack_s, 0.2), 2.0)
    chip_s = min(max(0.3 * release_s, 2 * answer.attack_s, 0.03), 0.2)
    writer = _Writer()
    writer.silence(0.5)
    writer.mark(START_CODE, chip_s)
    writer.silence(wait_s + 1.0)
    for level_db in STEPS_DB:
        writer.tone("step", MAIN_HZ, step_s, level_db)
    writer.silence(wait_s)
    for frequency_hz in (LOW_HZ[way], MAIN_HZ, HIGH_HZ):
        for least, share in enumerate((0.3, 1.0, 4.0), start=1):
            # Each longer than the one before, also where one cycle is longer than the attack.
            burst_s = min(max(share * answer.attack_s, 2e-3 * least, least / frequency_hz), 2.0)
            writer.tone("burst", frequency_hz, burst_s, 0.0)
            writer.silence(0.6 * wait_s)
    # Slower than the release, so that the board follows it down into its dead zone.
    decay_s = min(max(_DECAY_DB / (0.6 * 8.686 / release_s), 0.5), 12.0)
    writer.tone("decay", MAIN_HZ, decay_s, 0.0, -_DECAY_DB)
    writer.silence(0.5 * wait_s)
    writer.sweep(LOW_HZ[way], HIGH_HZ, 3.0)
    writer.silence(wait_s)
    writer.mark(STOP_CODE, chip_s)
    writer.silence(0.5)
    return BenchProgram(tuple(writer.stretches), way, release_s)


class _Writer:
    """Puts stretches one behind the other; each lasts a whole number of cycles and of samples."""

    def __init__(self) -> None:
        self.stretches: list[Stretch] = []

    @property
    def _now_s(self) -> float:
        return self.stretches[-1].end_s if self.stretches else 0.0

    def silence(self, duration_s: float) -> None:
        """Whole milliseconds."""
        self.stretches.append(Stretch("silence", self._now_s, math.ceil(1e3 * duration_s) / 1e3))

    def tone(
        self, kind: str, frequency_hz: float, duration_s: float, level_db: float, end_db: float | None = None
    ) -> None:
        cycles = max(1, round(duration_s * frequency_hz))
        whole_s = round(cycles / frequency_hz * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
        end = level_db if end_db is None else end_db
        self.stretches.append(Stretch(kind, self._now_s, whole_s, frequency_hz, level_db, end))

    def mark(self, code: tuple[int, ...], chip_s: float) -> None:
        duration_s = len(code) * math.ceil(1e3 * chip_s) / 1e3
        self.stretches.append(Stretch("mark", self._now_s, duration_s, MAIN_HZ, MARK_DB, MARK_DB, code=code))

    def sweep(self, low_hz: float, high_hz: float, duration_s: float) -> None:
        self.stretches.append(
            Stretch("sweep", self._now_s, duration_s, low_hz, SWEEP_DB, SWEEP_DB, end_hz=high_hz)
        )


def _tone(one: Stretch) -> FloatArray:
    """One stretch's wave, 1 at 0 dB."""
    t_s = np.arange(round(one.duration_s * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    share = t_s / one.duration_s
    if one.kind == "sweep":
        # Each octave takes the same time.
        octaves = math.log2(one.end_hz / one.frequency_hz)
        turns = one.frequency_hz * one.duration_s / (octaves * math.log(2)) * (2 ** (octaves * share) - 1)
    else:
        turns = one.frequency_hz * t_s
    level_db = one.level_db + (one.end_level_db - one.level_db) * share
    wave = 10 ** (level_db / 20) * np.sin(2 * math.pi * turns)
    if one.code:
        chip = np.minimum((share * len(one.code)).astype(np.int64), len(one.code) - 1)
        wave = wave * np.array(one.code)[chip]
    return np.asarray(wave)


def tuning_tone_wav(duration_s: float = 60.0) -> bytes:
    """Return a WAV with the loudest tone of the bench signals, 1 kHz, by which the level is set."""
    t_s = np.arange(round(duration_s * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    return _wav_bytes(FULL_SCALE * np.sin(2 * math.pi * MAIN_HZ * t_s))


def _wav_bytes(samples: FloatArray) -> bytes:
    import soundfile

    out = io.BytesIO()
    soundfile.write(out, samples, int(SAMPLE_RATE_HZ), format="WAV", subtype="PCM_16")
    return out.getvalue()
