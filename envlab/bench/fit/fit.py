"""Which parts the board has that made a capture: the engine's own answer, fitted by least squares.

The residual is what the capture reads less what the trial board reads on the mean; how sure a number is
follows from it (intervals.py).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.align import Alignment, align
from envlab.bench.fit.converter import line_of, mean_reading
from envlab.bench.fit.expected import TOGETHER, Expected
from envlab.bench.fit.first_guess import first_guesses
from envlab.bench.fit.intervals import (
    Interval,
    intervals_of,
    jackknife,
    noise_interval,
    with_model_error,
)
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.room_error import room_covariance
from envlab.bench.fit.values import BoardValues, designed_values, file_times
from envlab.bench.fit.vector import FITTED, moved_along, vector_of, with_vector
from envlab.units import BoolArray, FloatArray, IntArray

# Of starts that are fitted to the end; the others are only tried.
_BEST = 2
_CLUSTER_S = 0.1
_MOST_EVALUATIONS = 40
# Where a fit begins: at 0 both signs look alike, and nothing has a slope.
_LEAST_LEAN_V = 5e-4
# Evaluations after which a start that is not the better one is given up.
_FEW_EVALUATIONS = 6
# Logarithm of a ratio of corners.
_BENT = 0.01
_NOTHING = Expected((), np.zeros(0), np.zeros((0, 0)))


@dataclass(frozen=True, eq=False)
class FittedBoard:
    """A board as a capture shows it.

    values: its numbers. intervals: name → value and interval, of those that the capture says something of;
    noise_lsb among them. names, covariance: of the fitted vector (logarithms of those in AS_LOGARITHM), shape
    (names, names). residual: shape (n,), counts or V, NaN where nothing was compared. rms: of it.
    alignment: where the file lies in the capture.
    """

    values: BoardValues
    intervals: Mapping[str, Interval]
    names: tuple[str, ...]
    covariance: FloatArray
    residual: FloatArray
    rms: float
    alignment: Alignment


def fit_board(
    capture: Capture,
    model: BenchModel,
    alignment: Alignment | None = None,
    *,
    half_wave: bool = False,
    begin: BoardValues | None = None,
) -> FittedBoard:
    """Return the board that made a capture of the bench signal.

    Parameters
    ----------
    capture : Capture
        Counts, or volts of the detector.
    model : BenchModel
        The design and what was played.
    alignment : Alignment or None
        Where the file lies in the capture; None: found by its marks.
    half_wave : bool
        Fit a board of which one half of the wave is missing.
    begin : BoardValues or None
        Fit from this board on; its place in time is of no account. None: from several, as the capture looks.

    Returns
    -------
    FittedBoard

    Raises
    ------
    NoMarksError
        If the bench signal is not found in the capture.
    EnvlabError
        If the capture is too short or too slow to be fitted.
    """
    design = replace(designed_values(model.chain), half_wave=half_wave)
    where = alignment or align(capture, model, design)
    problem = _Problem(capture, model, where)
    if begin is None:
        guesses = first_guesses(capture, where, model, design, problem.per_volt)
    else:
        guesses = [replace(begin, delay_s=where.delay_s, clock=where.clock)]
    order = np.argsort(problem.misfits(guesses))
    found = problem.solve(guesses[order[0]], _MOST_EVALUATIONS if begin is None else 2 * _FEW_EVALUATIONS)
    for place in order[1:_BEST]:
        other = problem.solve(guesses[place], _FEW_EVALUATIONS)
        if other.rms < 0.98 * found.rms:
            found = problem.solve(other.values)
    if "noise_lsb" in found.intervals and np.isfinite(found.intervals["noise_lsb"].value):
        # How much of the converter's steps shows depends on the noise, which is known only now.
        problem = _Problem(capture, model, where, found.intervals["noise_lsb"].value)
        found = problem.solve(found.values, _FEW_EVALUATIONS)
    if model.program.way == "wire" and abs(math.log(found.values.corner)) > _BENT:
        # A straight line from the design's corners ends beside the wave of such a board.
        problem = _Problem(capture, model.about(found.values.corner), where, problem.noise_lsb)
        found = problem.solve(found.values, _FEW_EVALUATIONS)
    return problem.with_room(found) if model.program.way == "acoustic" else found


def fit_as(
    capture: Capture, model: BenchModel, fitted: FittedBoard, begin: BoardValues, expected: Expected
) -> FittedBoard:
    """Return the board of one kind that explains a capture best.

    Parameters
    ----------
    capture, model
        As fit_board.
    fitted : FittedBoard
        The board as fit_board found it: its place in time, and what a residual weighs.
    begin : BoardValues
        A board of the kind; its place in time is of no account.
    expected : Expected
        What boards of the kind are.

    Returns
    -------
    FittedBoard
        Its covariance is what capture and expectation say together; its intervals are the capture's alone.
    """
    problem = _Problem(capture, model, fitted.alignment)
    where = fitted.values
    begin = replace(begin, delay_s=where.delay_s, clock=where.clock, half_wave=where.half_wave)
    return problem.solve(begin, expected=expected, weight=math.sqrt(TOGETHER) * fitted.rms)


class _Problem:
    """One capture against one model, as a vector of numbers and of residuals."""

    def __init__(
        self, capture: Capture, model: BenchModel, alignment: Alignment, noise_lsb: float | None = None
    ) -> None:
        self._capture, self._model, self._alignment = capture, model, alignment
        self._adc = adc = model.chain.adc_as_built
        self._counts = capture.is_counts
        self.per_volt = adc.settled_share / adc.lsb_v if self._counts else 1.0
        self._node_v = model.chain.rectifier.reference_node_v
        self._top_code = adc.top_code
        self.noise_lsb = adc.noise_lsb if noise_lsb is None else noise_lsb
        times_s = file_times(capture.time_s, alignment)
        margin_s = 0.02
        inside = model.fitted_times(times_s) & model.fitted_times(times_s + margin_s)
        self._used: BoolArray = inside & model.fitted_times(times_s - margin_s) & np.isfinite(capture.values)
        self._times_s = capture.time_s[self._used]
        self._values = capture.values[self._used]

    def misfits(self, trials: Sequence[BoardValues]) -> FloatArray:
        """Mean square of the residual, shape (trials,), counts² or V²; trials: all at one place in time."""
        read_v = self._model.read(trials, self._file_times(trials[0])).read_v
        off = (
            self._read(self._level(one_v, trial))[0] - self._values
            for one_v, trial in zip(read_v.T, trials, strict=True)
        )
        return np.array([np.mean(one**2) for one in off])

    def solve(
        self,
        begin: BoardValues,
        evaluations: int = _MOST_EVALUATIONS,
        expected: Expected | None = None,
        weight: float = 0.0,
    ) -> FittedBoard:
        """Fit from one start on, for so many evaluations; weight: of one expectation, as a reading."""
        names = list(FITTED)
        if begin.limit == 1.0 and not self._reaches_limit(begin):
            names.remove("limit")
        # By wire one response holds from the low tone up; a loudspeaker and a room have one of their own.
        names.remove("low_gain" if self._model.program.way == "wire" else "corner")
        rectifier = self._model.chain.rectifier
        if rectifier.kind == "half" or rectifier.diode != "none" or begin.half_wave:
            names.remove("lean_v")
        else:
            begin = replace(begin, lean_v=max(abs(begin.lean_v), _LEAST_LEAN_V))
        names = self._told(begin, names)
        bounds = self._bounds(begin, names)

        rows, middle = (expected or _NOTHING).rows(names)

        @lru_cache(maxsize=1)
        def both(vector: bytes) -> tuple[FloatArray, FloatArray]:
            return self._read_off(with_vector(begin, names, np.frombuffer(vector)), names)

        def off(vector: FloatArray) -> FloatArray:
            return np.concatenate((both(vector.tobytes())[0], weight * (rows @ vector - middle)))

        def slopes(vector: FloatArray) -> FloatArray:
            return np.concatenate((both(vector.tobytes())[1], weight * rows))

        found: Any = least_squares(
            off,
            np.clip(vector_of(begin, names), *bounds),
            jac=slopes,
            bounds=bounds,
            x_scale="jac",
            xtol=1e-7,
            ftol=1e-7,
            max_nfev=evaluations,
        )
        values = with_vector(begin, names, found.x)
        described = self._described(values, names)
        if expected is None:
            return described
        told = slopes(found.x) / weight
        inverse = np.asarray(np.linalg.pinv(told.T @ told, rcond=1e-13, hermitian=True), dtype=np.float64)
        return replace(described, covariance=inverse)

    def _reaches_limit(self, trial: BoardValues) -> bool:
        swing_v = min(self._model.chain.preamp.swing_up_v, self._model.chain.preamp.swing_down_v)
        return 1.2 * trial.gain * float(np.abs(self._model.wave_v).max()) > swing_v

    def _told(self, trial: BoardValues, names: list[str]) -> list[str]:
        """Names of those numbers that move any reading."""
        _, slopes = self._read_off(trial, names)
        return [name for name, column in zip(names, slopes.T, strict=True) if np.any(column)]

    @staticmethod
    def _bounds(begin: BoardValues, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        reach = {
            "offset_lsb": 1e4,
            "drop_v": 2.0,
            "delay_s": 0.3,
            "clock": 0.01,
            "limit": 4.0,
            "lean_v": 0.05,
            "corner": 1.5,
        }
        middle = vector_of(begin, names)
        away = np.array([reach.get(name, 7.0) for name in names])
        low = middle - away
        if "lean_v" in names:
            # Both signs look alike.
            low[names.index("lean_v")] = 0.0
        return low, middle + away

    def _file_times(self, trial: BoardValues) -> FloatArray:
        return file_times(self._times_s, trial)

    def _level(self, read_v: FloatArray, trial: BoardValues) -> FloatArray:
        """Before the converter's steps, counts; or V."""
        return self._line(read_v)[0] + (trial.offset_lsb if self._counts else 0.0)

    def _line(self, read_v: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(level, slope per volt) before offset and steps, counts; or V."""
        pin_v = self._node_v + read_v
        return line_of(self._adc, pin_v) if self._counts else (pin_v, np.ones(pin_v.shape))

    def _read(self, level: FloatArray) -> tuple[FloatArray, FloatArray]:
        if not self._counts:
            return level, np.ones(level.shape)
        return mean_reading(level, self.noise_lsb, self._top_code)

    def _residual(self, trial: BoardValues) -> FloatArray:
        read_v = self._model.read([trial], self._file_times(trial)).read_v[:, 0]
        return self._read(self._level(read_v, trial))[0] - self._values

    def _read_off(self, trial: BoardValues, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
        """(residual, its slopes along names): one reading of trials side by side gives both."""
        steps = {name: step for name in names if (step := FITTED[name]) is not None}
        trials = [trial, *(moved_along(trial, names, name, step) for name, step in steps.items())]
        done = self._model.read(trials, self._file_times(trial))
        mean, _ = self._read(self._level(done.read_v[:, 0], trial))
        per_volt, per_count = self._gradients(done.read_v[:, 0], trial)
        columns = {}
        for place, (name, step) in enumerate(steps.items(), start=1):
            columns[name] = (done.read_v[:, place] - done.read_v[:, 0]) * per_volt / step
        rise = done.rise_v_s * per_volt
        columns["offset_lsb"] = per_count if self._counts else np.zeros(rise.size)
        columns["delay_s"] = -rise
        columns["clock"] = -rise * self._times_s / (1 + trial.clock) ** 2
        return mean - self._values, np.stack([columns[name] for name in names], axis=1)

    def _gradients(self, read_v: FloatArray, trial: BoardValues) -> tuple[FloatArray, FloatArray]:
        """Change of a mean reading per volt held, and per count of offset."""
        _, per_count = self._read(self._level(read_v, trial))
        return self._line(read_v)[1] * per_count, per_count

    def with_room(self, found: FittedBoard) -> FittedBoard:
        """The same board, its intervals as wide as echo and noise ask for; by air."""
        values, names = found.values, found.names
        residual, slopes = self._read_off(values, names)
        times_s = self._file_times(values)
        per_volt, _ = self._gradients(self._model.read([values], times_s).read_v[:, 0], values)
        more = room_covariance(self._model, values, times_s, per_volt, slopes, residual)
        if not more.any():
            return found
        wider = self._described(values, names, more)
        # What scatters is the street then, not the converter.
        kept = {name: one for name, one in wider.intervals.items() if name != "noise_lsb"}
        return replace(wider, intervals=kept)

    def _described(
        self, values: BoardValues, names: Sequence[str], more: FloatArray | float = 0.0
    ) -> FittedBoard:
        residual, slopes = self._read_off(values, names)
        scatter = with_model_error(jackknife(slopes, residual, self._clusters(values)), names)
        scatter = replace(scatter, covariance=scatter.covariance + more)
        intervals = intervals_of(values, names, scatter)
        if self._counts:
            intervals["noise_lsb"] = self._noise(values)
        whole = np.full(self._capture.values.size, np.nan)
        whole[self._used] = -residual
        rms = math.sqrt(float(np.mean(residual**2)))
        return FittedBoard(values, intervals, tuple(names), scatter.covariance, whole, rms, self._alignment)

    def _clusters(self, values: BoardValues) -> IntArray:
        return np.floor(self._file_times(values) / _CLUSTER_S).astype(np.int64)

    def _noise(self, values: BoardValues) -> Interval:
        """Rms of the noise, counts, from falls without a tone, where a reading passes many steps."""
        times_s, program = self._file_times(values), self._model.program
        falling = np.zeros(times_s.size, dtype=bool)
        for before, one in itertools.pairwise(program.stretches):
            if one.kind == "silence" and before.kind in ("step", "burst", "decay"):
                falling |= (times_s > one.start_s + 0.03) & (times_s < one.end_s - 0.01)
        level = self._level(self._model.read([values], times_s).read_v[:, 0], values)
        falling &= (level > 4) & (level < self._top_code - 4)
        return noise_interval(level[falling], self._values[falling], self._clusters(values)[falling])
