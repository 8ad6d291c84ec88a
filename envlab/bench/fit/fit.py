"""Which parts the board has that made a capture: the engine's own answer, fitted by least squares.

The residual is what the capture reads less what the trial board reads on the mean. Its size gives the noise.
The intervals come from how it scatters from one stretch of a tenth of a second to the next, each left out in
turn (the jackknife form of the cluster-robust covariance, [MacKinnon2023]): what the model misses within a
burst widens them, where plain least squares would not notice.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import t as student

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.align import Alignment, align
from envlab.bench.fit.converter import mean_reading
from envlab.bench.fit.first_guess import file_times, first_guesses
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.room_error import room_covariance
from envlab.bench.fit.values import BoardValues, designed_values
from envlab.units import BoolArray, FloatArray

# Fitted number → (fitted as a logarithm, step of its difference quotient).
FITTED: Mapping[str, tuple[bool, float]] = {
    "gain": (True, 1e-3),
    "low_gain": (True, 1e-3),
    "high_gain": (True, 1e-3),
    "attack_s": (True, 2e-3),
    "release_s": (True, 2e-3),
    "offset_lsb": (False, 1.0),
    "drop_v": (False, 5e-4),
    "lean_v": (False, 2e-4),
    "corner": (True, 2e-2),
    "limit": (True, -5e-3),
    "delay_s": (False, 1.0),
    "clock": (False, 1.0),
}
# What the model itself is off, beside continuous time with every part drawn on its own; standard deviations,
# set by hand on the 32 boards of the first runs of tests/bench/invented.py, and not yet proven on others;
# logarithms where FITTED says so.
_MODEL_ERROR = {
    "gain": 8e-5,
    "low_gain": 8e-5,
    "high_gain": 1e-4,
    "attack_s": 8e-4,
    "release_s": 8e-5,
    "drop_v": 3e-5,
    "delay_s": 1e-6,
}
# Of starts that are fitted to the end; the others are only tried.
_BEST = 2
_CLUSTER_S = 0.1
_CONFIDENCE = 0.95
_MOST_EVALUATIONS = 40
# Where a fit begins: at 0 both signs look alike, and nothing has a slope.
_LEAST_LEAN_V = 5e-4
# Logarithm of a ratio from which on an interval says nothing.
_AS_GOOD_AS_ANY = 50.0
# Evaluations after which a start that is not the better one is given up.
_FEW_EVALUATIONS = 6


@dataclass(frozen=True)
class Interval:
    """A fitted number and its interval of 95 %.

    value, low, high: in the unit of the number's name (s, V, counts, share).
    """

    value: float
    low: float
    high: float

    def holds(self, truth: float) -> bool:
        """Whether truth, in the same unit (s, V, counts, share), lies in the interval."""
        return self.low <= truth <= self.high


@dataclass(frozen=True, eq=False)
class FittedBoard:
    """A board as a capture shows it.

    values: its numbers. intervals: name → value and interval, of those that the capture says something of;
    noise_lsb among them. names, covariance: of the fitted vector (logarithms where FITTED says so), shape
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
    misfits = [problem.misfit(one) for one in guesses]
    order = np.argsort(misfits)
    found = problem.solve(guesses[order[0]], _MOST_EVALUATIONS if begin is None else 2 * _FEW_EVALUATIONS)
    for place in order[1:_BEST]:
        other = problem.solve(guesses[place], _FEW_EVALUATIONS)
        if other.rms < 0.98 * found.rms:
            found = problem.solve(other.values)
    if "noise_lsb" in found.intervals and np.isfinite(found.intervals["noise_lsb"].value):
        # How much of the converter's steps shows depends on the noise, which is known only now.
        problem = _Problem(capture, model, where, found.intervals["noise_lsb"].value)
        found = problem.solve(found.values, _FEW_EVALUATIONS)
    return problem.with_room(found) if model.program.way == "acoustic" else found


class _Problem:
    """One capture against one model, as a vector of numbers and of residuals."""

    def __init__(
        self, capture: Capture, model: BenchModel, alignment: Alignment, noise_lsb: float | None = None
    ) -> None:
        self._capture, self._model, self._alignment = capture, model, alignment
        adc = model.chain.adc
        self._counts = capture.node == "adc_counts"
        self.per_volt = adc.settled_share / adc.lsb_v if self._counts else 1.0
        self._node_v = model.chain.rectifier.reference_node_v
        self._top_code = adc.top_code
        self._noise_lsb = adc.noise_lsb if noise_lsb is None else noise_lsb
        times_s = file_times(capture, alignment)
        margin_s = 0.02
        inside = model.fitted_times(times_s) & model.fitted_times(times_s + margin_s)
        self._used: BoolArray = inside & model.fitted_times(times_s - margin_s) & np.isfinite(capture.values)
        self._times_s = capture.time_s[self._used]
        self._values = capture.values[self._used]

    def misfit(self, trial: BoardValues) -> float:
        """Root mean square of the residual, counts or V."""
        return math.sqrt(float(np.mean(self._residual(trial) ** 2)))

    def solve(self, begin: BoardValues, evaluations: int = _MOST_EVALUATIONS) -> FittedBoard:
        """Fit from one start on, for so many evaluations at most."""
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

        def off(vector: FloatArray) -> FloatArray:
            return self._residual(_with(begin, names, vector))

        def slopes(vector: FloatArray) -> FloatArray:
            return self._slopes(_with(begin, names, vector), names)

        found: Any = least_squares(
            off,
            np.clip(_vector(begin, names), *bounds),
            jac=slopes,
            bounds=bounds,
            x_scale="jac",
            xtol=1e-7,
            ftol=1e-7,
            max_nfev=evaluations,
        )
        values = _with(begin, names, found.x)
        return self._described(values, names)

    def _reaches_limit(self, trial: BoardValues) -> bool:
        swing_v = min(self._model.chain.preamp.swing_up_v, self._model.chain.preamp.swing_down_v)
        return 1.2 * trial.gain * float(np.abs(self._model.wave_v).max()) > swing_v

    def _told(self, trial: BoardValues, names: list[str]) -> list[str]:
        """Names of those numbers that move any reading."""
        slopes = self._slopes(trial, names)
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
        middle = _vector(begin, names)
        away = np.array([reach.get(name, 7.0) for name in names])
        low = middle - away
        if "lean_v" in names:
            # Both signs look alike.
            low[names.index("lean_v")] = 0.0
        return low, middle + away

    def _file_times(self, trial: BoardValues) -> FloatArray:
        return self._times_s / (1 + trial.clock) - trial.delay_s

    def _level(self, read_v: FloatArray, trial: BoardValues) -> FloatArray:
        """Before the converter's steps, counts; or V."""
        return (self._node_v + read_v) * self.per_volt + (trial.offset_lsb if self._counts else 0.0)

    def _read(self, level: FloatArray) -> tuple[FloatArray, FloatArray]:
        if not self._counts:
            return level, np.ones(level.shape)
        return mean_reading(level, self._noise_lsb, self._top_code)

    def _residual(self, trial: BoardValues) -> FloatArray:
        read_v = self._model.read([trial], self._file_times(trial)).read_v[:, 0]
        return self._read(self._level(read_v, trial))[0] - self._values

    def _slopes(self, trial: BoardValues, names: Sequence[str]) -> FloatArray:
        moved = [name for name in names if name not in ("offset_lsb", "delay_s", "clock")]
        steps = [FITTED[name][1] for name in moved]
        trials = [trial, *(_moved(trial, names, name, step) for name, step in zip(moved, steps, strict=True))]
        done = self._model.read(trials, self._file_times(trial))
        level = self._level(done.read_v[:, 0], trial)
        _, slope = self._read(level)
        columns = {}
        for place, (name, step) in enumerate(zip(moved, steps, strict=True), start=1):
            columns[name] = (done.read_v[:, place] - done.read_v[:, 0]) * self.per_volt / step
        rise = done.rise_v_s * self.per_volt
        columns["offset_lsb"] = np.ones(level.size) if self._counts else np.zeros(level.size)
        columns["delay_s"] = -rise
        columns["clock"] = -rise * self._times_s / (1 + trial.clock) ** 2
        return np.stack([slope * columns[name] for name in names], axis=1)

    def with_room(self, found: FittedBoard) -> FittedBoard:
        """The same board, its intervals as wide as echo and noise ask for; by air."""
        values, names = found.values, found.names
        residual, slopes = self._residual(values), self._slopes(values, names)
        times_s = self._file_times(values)
        _, slope = self._read(self._level(self._model.read([values], times_s).read_v[:, 0], values))
        more = room_covariance(self._model, values, times_s, slope * self.per_volt, slopes, residual)
        if not more.any():
            return found
        wider = self._described(values, names, more)
        # What scatters is the street then, not the converter.
        kept = {name: one for name, one in wider.intervals.items() if name != "noise_lsb"}
        return replace(wider, intervals=kept)

    def _described(
        self, values: BoardValues, names: Sequence[str], more: FloatArray | float = 0.0
    ) -> FittedBoard:
        residual, slopes = self._residual(values), self._slopes(values, names)
        covariance, freedom = jackknife_covariance(slopes, residual, self._clusters(values))
        floor = np.array([_MODEL_ERROR.get(name, 0.0) for name in names])
        covariance = covariance + np.diag(floor**2) + more
        reach = float(student.ppf(0.5 + _CONFIDENCE / 2, freedom))
        intervals = {}
        for place, name in enumerate(names):
            half = reach * math.sqrt(max(float(covariance[place, place]), 0.0))
            value = float(getattr(values, name))
            if FITTED[name][0]:
                intervals[name] = Interval(
                    value, value * math.exp(-half), value * math.exp(min(half, _AS_GOOD_AS_ANY))
                )
            else:
                intervals[name] = Interval(value, value - half, value + half)
        if self._counts:
            intervals["noise_lsb"] = self._noise(values, reach)
        whole = np.full(self._capture.values.size, np.nan)
        whole[self._used] = -residual
        rms = math.sqrt(float(np.mean(residual**2)))
        return FittedBoard(values, intervals, tuple(names), covariance, whole, rms, self._alignment)

    def _clusters(self, values: BoardValues) -> Any:
        return np.floor(self._file_times(values) / _CLUSTER_S).astype(np.int64)

    def _noise(self, values: BoardValues, reach: float) -> Interval:
        """Rms of the noise, counts, from falls without a tone, where a reading passes many steps."""
        times_s, program = self._file_times(values), self._model.program
        falling = np.zeros(times_s.size, dtype=bool)
        for before, one in itertools.pairwise(program.stretches):
            if one.kind == "silence" and before.kind in ("step", "burst", "decay"):
                falling |= (times_s > one.start_s + 0.03) & (times_s < one.end_s - 0.01)
        read_v = self._model.read([values], times_s).read_v[:, 0]
        level = self._level(read_v, values)
        # Where the level moves by less than a step in a cluster, the step's rounding is no noise.
        falling &= (level > 4) & (level < self._top_code - 4)
        off = level[falling] - 0.5 - self._values[falling]
        groups = self._clusters(values)[falling]
        moving = _moves(level[falling], groups)
        off, groups = off[moving], groups[moving]
        if off.size < 30:
            return Interval(math.nan, 0.0, math.inf)
        _, first = np.unique(groups, return_index=True)
        sizes = np.diff([*first, off.size])
        means = np.add.reduceat(off, first) / sizes
        sums = np.add.reduceat((off - np.repeat(means, sizes)) ** 2, first)
        free = sizes - 1
        mean = float(sums.sum() / free.sum())
        error = math.sqrt(float(np.sum((sums - free * mean) ** 2))) / float(free.sum())
        square = mean - 1 / 12
        low, high = square - reach * error, square + reach * error
        return Interval(*(math.sqrt(max(one, 0.0)) for one in (square, low, high)))


def _moves(level: FloatArray, groups: Any) -> BoolArray:
    """Which values lie in groups over which the level moves by two counts and more."""
    _, first, place = np.unique(groups, return_index=True, return_inverse=True)
    span = np.maximum.reduceat(level, first) - np.minimum.reduceat(level, first) if level.size else level
    return np.asarray(span[place] >= 2.0) if level.size else np.zeros(0, dtype=bool)


def jackknife_covariance(slopes: FloatArray, residual: FloatArray, groups: Any) -> tuple[FloatArray, float]:
    """Return (covariance, degrees of freedom) of least squares, each group left out in turn.

    Parameters
    ----------
    slopes : ndarray of float
        Shape (n, p), change of each residual per change of each number, in their units.
    residual : ndarray of float
        Shape (n,).
    groups : ndarray of int
        Shape (n,), rising: residuals of one group may hang together.

    Returns
    -------
    tuple
        Shape (p, p), products of the numbers' units (logarithms, s, V, counts); groups less one.
    """
    scale = np.linalg.norm(slopes, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    scaled = slopes / scale
    inverse = np.linalg.pinv(scaled.T @ scaled, rcond=1e-13, hermitian=True)
    _, first = np.unique(groups, return_index=True)
    edges = [*first.tolist(), residual.size]
    moves = []
    for begin, end in itertools.pairwise(edges):
        part = scaled[begin:end]
        rest = np.eye(scaled.shape[1]) - part.T @ part @ inverse
        moves.append(inverse @ np.linalg.lstsq(rest, part.T @ residual[begin:end], rcond=1e-9)[0])
    away = np.array(moves)
    count = len(moves)
    covariance = away.T @ away * (count - 1) / count
    return covariance / np.outer(scale, scale), float(count - 1)


def _vector(values: BoardValues, names: Sequence[str]) -> FloatArray:
    return np.array(
        [
            math.log(max(getattr(values, name), 1e-9)) if FITTED[name][0] else getattr(values, name)
            for name in names
        ]
    )


def _with(values: BoardValues, names: Sequence[str], vector: FloatArray) -> BoardValues:
    changed: dict[str, Any] = {
        name: math.exp(number) if FITTED[name][0] else float(number)
        for name, number in zip(names, vector, strict=True)
    }
    moved = replace(values, **changed)
    return moved if "low_gain" in names else replace(moved, low_gain=moved.gain)


def _moved(values: BoardValues, names: Sequence[str], name: str, step: float) -> BoardValues:
    vector = _vector(values, names)
    vector[list(names).index(name)] += step
    return _with(values, names, vector)
