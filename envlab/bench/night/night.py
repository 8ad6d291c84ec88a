"""The night after: the song as a phone recorded it and as the board logged it, and which stage explains
what is left between the two.

The recording is played through the design. Its level, its place in the log and the board's clock are fitted
first; what is left then is the residual. Each stage in turn is let off its design: the one that takes most of
the residual away, for as few numbers, explains it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.align import Alignment
from envlab.bench.fit.converter import line_of, mean_reading
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import BoardValues, designed_values, file_times, ratio_db
from envlab.bench.fit.vector import vector_of, with_vector
from envlab.bench.night.match import match
from envlab.bench.signals.board_wave import input_peak
from envlab.bench.signals.expected_boards import OFFSET_V
from envlab.bench.signals.program import FULL_SCALE, SAMPLE_RATE_HZ, BenchProgram, Stretch
from envlab.chain import Chain
from envlab.errors import EnvlabError, ParameterError
from envlab.sound.recording import Recording
from envlab.units import BoolArray, FloatArray, db

LONGEST_S = 180.0
# Number → (step of its difference quotient, how far it may go from where it begins), of the logarithm in
# AS_LOGARITHM.
_FITTED: Mapping[str, tuple[float, float]] = {
    "gain": (1e-3, 5.0),
    "delay_s": (2e-4, 0.2),
    "clock": (1e-6, 2e-3),
    "limit": (-5e-3, 4.0),
    "drop_v": (5e-4, 1.0),
    "attack_s": (5e-3, 4.0),
    "release_s": (5e-3, 4.0),
    "offset_lsb": (1e-2, 500.0),
}
_ALWAYS = ("gain", "delay_s", "clock")
# Stage → what it may be off by, the words for that.
STAGES: Mapping[str, tuple[tuple[str, ...], str]] = {
    "preamp": (("limit",), "the preamp clips early"),
    "rectifier": (("drop_v",), "the rectifier loses voltage, as a dead zone or a diode does"),
    "detector": (("attack_s", "release_s"), "attack or release is not the design's"),
    "converter": (("offset_lsb",), "the converter reads an offset"),
}
RECORDING = "recording"
_RECORDING_WORDS = "the phone's own gain moved, or it stood elsewhere than the board"
HALF_WAVE = "half wave"
_HALF_WAVE_WORDS = "one half of the wave is missing"
# A moving gain is one factor for each so many seconds.
_GAIN_EVERY_S = 2.0
_CLUSTER_S = 0.1
# Below this the board did what its design says; common practice, no source: 5 % of the envelope.
QUIET_DB = -26.0
# What takes away less than half of the residual's power explains nothing.
_HALF = 0.5


@dataclass(frozen=True)
class Explanation:
    """One stage let off its design.

    stage, words: which, and how. residual_db: what is left then. taken_share: share of the residual's power
    that it takes away, 0 to 1. score: the lower the likelier; counts the numbers that were fitted, too.
    values: the board that leaves least.
    """

    stage: str
    words: str
    residual_db: float
    taken_share: float
    score: float
    values: BoardValues


@dataclass(frozen=True, eq=False)
class NightCheck:
    """A song twice.

    time_s: of the log's readings on the recording's clock, s, shape (n,). measured, simulated: counts, of the
    design at the level that was found. louder_db: than the recording's stated level the board heard it.
    residual_db: rms of measured − simulated over rms of what is measured above rest. explanations: likeliest
    first.
    """

    time_s: FloatArray
    measured: FloatArray
    simulated: FloatArray
    alignment: Alignment
    louder_db: float
    residual_db: float
    explanations: tuple[Explanation, ...]

    @property
    def explained_by(self) -> str:
        """The stage that explains the residual; "design" if there is hardly any, "none" if no stage does."""
        if self.residual_db <= QUIET_DB:
            return "design"
        first = self.explanations[0]
        return first.stage if first.taken_share >= _HALF else "none"

    @property
    def words(self) -> tuple[str, ...]:
        """What the night tells, one sentence each."""
        said = [
            f"The log begins {self.alignment.delay_s:.3f} s before the recording, its clock is fast by "
            f"{100 * self.alignment.clock:.3f} %, and the board heard {self.louder_db:+.1f} dB over the "
            "level stated.",
            f"What is left between log and simulation is {self.residual_db:.1f} dB of the envelope.",
        ]
        by = self.explained_by
        first = self.explanations[0]
        if by == "design":
            said.append("The board did what its design says.")
        elif by == "none":
            said.append(
                f"No single stage explains it: the best, {first.stage}, takes "
                f"{100 * first.taken_share:.0f} %."
            )
        else:
            said.append(
                f"Likeliest is the {first.stage}: {first.words}; that takes "
                f"{100 * first.taken_share:.0f} % of it and leaves {first.residual_db:.1f} dB."
            )
        return tuple(said)


def check_length(duration_s: float) -> None:
    """Raise ParameterError for a recording longer than LONGEST_S."""
    if duration_s > LONGEST_S:
        raise ParameterError(
            "recording", f"{duration_s:.0f} s", f"at most {LONGEST_S:g} s; cut out the moment"
        )


def night_model(chain: Chain, recording: Recording) -> BenchModel:
    """Return the model of a design that hears a recording.

    Raises
    ------
    ParameterError
        For more than 180 s: cut out the moment that went wrong.
    """
    check_length(recording.duration_s)
    pressure_pa = _at_48_khz(recording)
    wave = pressure_pa * (FULL_SCALE / input_peak(chain, "acoustic"))
    whole = Stretch("music", 0.0, wave.size / SAMPLE_RATE_HZ)
    program = BenchProgram((whole,), "acoustic", chain.detector_as_built.slowest_s)
    return BenchModel(chain, program, wave)


def _at_48_khz(recording: Recording) -> FloatArray:
    from scipy.signal import resample_poly

    rate_hz = recording.sample_rate_hz
    if rate_hz == SAMPLE_RATE_HZ:
        return recording.pressure_pa
    common = math.gcd(round(rate_hz), round(SAMPLE_RATE_HZ))
    up, down = round(SAMPLE_RATE_HZ) // common, round(rate_hz) // common
    return np.asarray(resample_poly(recording.pressure_pa, up, down))


def night_after(chain: Chain, recording: Recording, capture: Capture) -> NightCheck:
    """Return how a board's log of a song differs from what its design makes of a recording of that song.

    Parameters
    ----------
    chain : Chain
        The design.
    recording : Recording
        The song as a phone heard it, 5 to 180 s; its level need not be right.
    capture : Capture
        The board's log, counts.

    Returns
    -------
    NightCheck

    Raises
    ------
    EnvlabError
        One line, if the two do not show the same music.
    """
    if not capture.is_counts:
        raise EnvlabError(f"{capture.name or 'log'}: holds {capture.node}; a log of counts is wanted")
    model = night_model(chain, recording)
    where = match(capture, model)
    problem = _Night(capture, model, where)
    begin = replace(problem.at_rest(designed_values(chain)), delay_s=where.delay_s, clock=where.clock)
    base = problem.solve(problem.as_loud(begin), _ALWAYS)
    tried = [
        (stage, words, problem.solve(start, (*_ALWAYS, *names)), len(names))
        for stage, (names, words) in STAGES.items()
        for start in problem.starts(base, names)
    ]
    if chain.rectifier.kind == "full":
        half = problem.solve(replace(base, half_wave=True), _ALWAYS)
        tried.append((HALF_WAVE, _HALF_WAVE_WORDS, half, 1))
    simulated = problem.of(base)
    found = [problem.explained(simulated, *one) for one in tried] + [problem.moving_gain(base, simulated)]
    best: dict[str, Explanation] = {}
    for one in sorted(found, key=lambda row: row.score):
        best.setdefault(one.stage, one)
    return NightCheck(
        problem.times_s(base),
        problem.measured,
        simulated,
        Alignment(base.delay_s, base.clock, where.likeness),
        ratio_db(base.gain),
        problem.residual_db(simulated - problem.measured),
        tuple(best.values()),
    )


class _Night:
    """One log against one recording."""

    def __init__(self, capture: Capture, model: BenchModel, where: Alignment) -> None:
        self._model, self._adc = model, model.chain.adc_as_built
        times_s = file_times(capture.time_s, where)
        margin_s = 0.3
        # The board heard something before the recording began, too: its first second is not judged.
        settle_s = min(2 * model.chain.detector_as_built.slowest_s, 0.2 * model.program.duration_s)
        self._used: BoolArray = (
            (times_s > settle_s)
            & (times_s < model.program.duration_s - margin_s)
            & np.isfinite(capture.values)
        )
        self._times_s, self.measured = capture.time_s[self._used], capture.values[self._used]
        if self.measured.size < 100:
            raise EnvlabError(
                f"{capture.name or 'log'}: has {self.measured.size} readings within the recording, at least "
                "100 are wanted"
            )
        self._rest = float(np.percentile(self.measured, 1))
        self._groups = np.floor(self._times_s / _CLUSTER_S).astype(np.int64)

    def read(self, trials: Sequence[BoardValues], times_s: FloatArray) -> FloatArray:
        """Mean readings, counts, shape (readings, trials)."""
        adc, node_v = self._adc, self._model.chain.rectifier.reference_node_v
        pin_v = node_v + self._model.read(trials, times_s).read_v
        offsets = np.array([one.offset_lsb for one in trials])
        level = line_of(adc, pin_v)[0] + offsets
        return mean_reading(level, adc.noise_lsb, adc.top_code)[0]

    def of(self, trial: BoardValues) -> FloatArray:
        """Mean readings of one trial at the log's own times, counts."""
        return self.read([trial], file_times(self._times_s, trial))[:, 0]

    def at_rest(self, trial: BoardValues) -> BoardValues:
        """A trial whose offset is what the log's rest says, as far as a sound converter may have one."""
        most_lsb = OFFSET_V / self._adc.lsb_v
        silent = self.of(self._as_gain(trial, 0.0))[0]
        off_lsb = min(max(self._rest - float(silent), -most_lsb), most_lsb)
        return replace(trial, offset_lsb=trial.offset_lsb + off_lsb)

    def as_loud(self, trial: BoardValues) -> BoardValues:
        """A trial with about the gain that the log shows."""
        shown = self.of(trial)
        shown = shown - np.percentile(shown, 1)
        there = self.measured - self._rest
        gain = trial.gain * float(np.percentile(there, 95) / max(np.percentile(shown, 95), 0.1))
        return self._as_gain(trial, min(max(gain, 1e-3), 1e3))

    @staticmethod
    def _as_gain(trial: BoardValues, gain: float) -> BoardValues:
        return replace(trial, gain=gain, low_gain=gain, high_gain=gain)

    def starts(self, base: BoardValues, names: Sequence[str]) -> list[BoardValues]:
        """Where fits of a stage begin."""
        if "limit" not in names:
            return [base]
        # A swing that is not reached has no slope: begin where the loudest part is cut, and play it louder.
        peak_v = float(np.abs(self._model.wave_v).max())
        swing_v = min(self._model.chain.preamp.swing_up_v, self._model.chain.preamp.swing_down_v)
        return [
            replace(self._as_gain(base, louder * base.gain), limit=share * base.gain * peak_v / swing_v)
            for louder, share in ((1.2, 0.6), (2.0, 0.4))
        ]

    def solve(self, begin: BoardValues, names: Sequence[str]) -> BoardValues:
        """The trial that leaves least."""
        steps, reach = np.array([_FITTED[name] for name in names]).T
        start = vector_of(begin, names)

        def off(vector: FloatArray) -> FloatArray:
            return self.of(self._with(begin, names, vector)) - self.measured

        def slopes(vector: FloatArray) -> FloatArray:
            trials = [
                self._with(begin, names, vector + step * (place == np.arange(len(names))))
                for place, step in enumerate(steps)
            ]
            middle = self._with(begin, names, vector)
            # What moves the times is read for itself; all else at the same times side by side.
            moves = [name in ("delay_s", "clock") for name in names]
            still = [middle, *(one for one, moved in zip(trials, moves, strict=True) if not moved)]
            read = self.read(still, file_times(self._times_s, middle))
            columns, beside = [], iter(range(1, read.shape[1]))
            for one, moved, step in zip(trials, moves, steps, strict=True):
                there = self.of(one) if moved else read[:, next(beside)]
                columns.append((there - read[:, 0]) / step)
            return np.stack(columns, axis=1)

        found: Any = least_squares(
            off, start, jac=slopes, bounds=(start - reach, start + reach), x_scale="jac",
            xtol=1e-5, ftol=1e-5, max_nfev=15,
        )  # fmt: skip
        return self._with(begin, names, found.x)

    def _with(self, values: BoardValues, names: Sequence[str], vector: FloatArray) -> BoardValues:
        moved = with_vector(values, names, vector)
        return self._as_gain(moved, moved.gain)

    def residual_db(self, residual: FloatArray) -> float:
        """Rms of a residual over rms of what is measured above rest, dB."""
        there = math.sqrt(float(np.mean((self.measured - self._rest) ** 2)))
        return float(db(max(math.sqrt(float(np.mean(residual**2))), 1e-9) / max(there, 1e-9)))

    def explained(
        self, simulated: FloatArray, stage: str, words: str, values: BoardValues, numbers: int
    ) -> Explanation:
        """A stage's explanation by the board that leaves least; simulated: the design, counts."""
        return self._row(simulated, stage, words, self.of(values) - self.measured, numbers, values)

    def moving_gain(self, base: BoardValues, simulated: FloatArray) -> Explanation:
        """One factor on the envelope for each two seconds, straight between their middles."""
        rest = float(self.of(self._as_gain(base, 0.0))[0])
        above, there = simulated - rest, self.measured - rest
        edges = np.arange(self._times_s[0], self._times_s[-1] + _GAIN_EVERY_S, _GAIN_EVERY_S)
        middles, factors = [], []
        for first, last in itertools.pairwise(edges):
            inside = (self._times_s >= first) & (self._times_s < last)
            power = float(np.sum(above[inside] ** 2))
            if power > 0:
                middles.append((first + last) / 2)
                factors.append(float(np.sum(above[inside] * there[inside])) / power)
        moved = above * np.interp(self._times_s, middles, factors)
        return self._row(simulated, RECORDING, _RECORDING_WORDS, moved - there, len(factors), base)

    def _row(
        self,
        simulated: FloatArray,
        stage: str,
        words: str,
        residual: FloatArray,
        numbers: int,
        values: BoardValues,
    ) -> Explanation:
        before = float(np.mean((simulated - self.measured) ** 2))
        after = float(np.mean(residual**2))
        # Schwarz's criterion; readings within a tenth of a second hang together and count once.
        count = np.unique(self._groups).size
        score = count * math.log(max(after, 1e-12)) + numbers * math.log(count)
        taken = min(max(1 - after / max(before, 1e-12), 0.0), 1.0)
        return Explanation(stage, words, self.residual_db(residual), taken, score, values)

    def times_s(self, base: BoardValues) -> FloatArray:
        """Of the readings that were compared, on the recording's clock, s."""
        return file_times(self._times_s, base)


def night_csv(found: NightCheck) -> str:
    """Return both traces as a CSV: time_s (of the recording), measured_counts, simulated_counts."""
    lines = ["time_s,measured_counts,simulated_counts"]
    for row in zip(found.time_s, found.measured, found.simulated, strict=True):
        lines.append("{:.6g},{:g},{:.5g}".format(*row))
    return "\n".join([*lines, ""])
