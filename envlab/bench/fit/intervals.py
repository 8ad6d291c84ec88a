"""How far fitted numbers may be off: what the residual says, and what the model itself is off.

The first part is the jackknife form of the cluster-robust covariance [MacKinnon2023]: each stretch of a
tenth of a second is left out in turn, so that what the model misses within a burst widens the intervals,
where plain least squares would not notice. Few stretches tell an attack, many an offset: the degrees of
freedom are each number's own [Satterthwaite1946]. The second part is what no residual shows, because every
board of a kind has it alike; it was estimated on boards that are not those by which the intervals are proven.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from envlab.bench.fit.values import BoardValues
from envlab.bench.fit.vector import AS_LOGARITHM
from envlab.units import BoolArray, FloatArray, IntArray

# Standard deviations, logarithms of those in AS_LOGARITHM: `python tests/bench/invented.py training 25`.
MODEL_ERROR: Mapping[str, float] = {
    "gain": 5.64e-5,
    "high_gain": 1.23e-4,
    "attack_s": 3.81e-4,
    "release_s": 3.57e-5,
    "drop_v": 2.54e-5,
    "lean_v": 5.43e-5,
    # Two capacitors of one number.
    "corner": 4.12e-3,
    "delay_s": 2.97e-6,
    "clock": 1.45e-7,
}
# Boards of that run.
TRAINED_ON = 100
CONFIDENCE = 0.95
# A time whose interval is wider than so many times itself is not told.
WIDEST = 1.0
# Logarithm of a ratio from which on an interval says nothing.
_AS_GOOD_AS_ANY = 50.0
_FEWEST_FOR_NOISE = 30


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

    @property
    def tells(self) -> bool:
        """Of a time or a ratio: whether its interval is narrower than itself."""
        return bool(self.high - self.low <= WIDEST * self.value)


@dataclass(frozen=True, eq=False)
class Scatter:
    """covariance: shape (p, p), products of the numbers' units (logarithms, s, V, counts). freedom: degrees
    of freedom of each number's variance, shape (p,)."""

    covariance: FloatArray
    freedom: FloatArray


def jackknife(slopes: FloatArray, residual: FloatArray, groups: IntArray) -> Scatter:
    """Return how numbers of a least-squares fit scatter, each group left out in turn.

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
    Scatter
    """
    scale = np.linalg.norm(slopes, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    scaled = slopes / scale
    inverse = np.linalg.pinv(scaled.T @ scaled, rcond=1e-13, hermitian=True)
    _, first = np.unique(groups, return_index=True)
    edges = [*first.tolist(), residual.size]
    moves, weights = [], []
    for begin, end in itertools.pairwise(edges):
        part = scaled[begin:end]
        crossed = part.T @ part
        rest = np.eye(scaled.shape[1]) - crossed @ inverse
        moves.append(inverse @ np.linalg.lstsq(rest, part.T @ residual[begin:end], rcond=1e-9)[0])
        # What a group would add to each variance if all residuals were alike.
        weights.append(np.einsum("pq,qr,rp->p", inverse, crossed, inverse))
    away, shares = np.array(moves), np.array(weights)
    count = len(moves)
    covariance = away.T @ away * (count - 1) / count
    freedom = shares.sum(axis=0) ** 2 / np.maximum(np.sum(shares**2, axis=0), 1e-300)
    return Scatter(covariance / np.outer(scale, scale), np.clip(freedom, 1.0, None))


def with_model_error(scatter: Scatter, names: Sequence[str]) -> Scatter:
    """Return how the numbers of those names scatter, with what the model itself is off."""
    own = np.array([MODEL_ERROR.get(name, 0.0) for name in names]) ** 2
    variances = np.diag(scatter.covariance)
    both = variances + own
    uncertain = variances**2 / scatter.freedom + own**2 / TRAINED_ON
    freedom = np.where(both > 0, both**2 / np.maximum(uncertain, 1e-300), scatter.freedom)
    return Scatter(scatter.covariance + np.diag(own), freedom)


def intervals_of(values: BoardValues, names: Sequence[str], scatter: Scatter) -> dict[str, Interval]:
    """Return name → interval; of a ratio or a time its ends lie as many times below and above it."""
    reaches = student.ppf(0.5 + CONFIDENCE / 2, scatter.freedom)
    halves = reaches * np.sqrt(np.maximum(np.diag(scatter.covariance), 0.0))
    found = {}
    for name, half in zip(names, halves.tolist(), strict=True):
        value = float(getattr(values, name))
        if name in AS_LOGARITHM:
            times = math.exp(min(half, _AS_GOOD_AS_ANY))
            found[name] = Interval(value, value / times, value * times)
        else:
            found[name] = Interval(value, value - half, value + half)
    return found


def noise_interval(level: FloatArray, values: FloatArray, groups: IntArray) -> Interval:
    """Return the rms of a converter's noise, counts, from readings of a falling level.

    level: what is read before the converter's steps, counts, shape (n,); values: the readings; groups:
    rising, as of jackknife. Where a level moves by less than two counts in a group, a step's rounding is no
    noise.
    """
    moving = _moves(level, groups)
    off, groups = (level - 0.5 - values)[moving], groups[moving]
    if off.size < _FEWEST_FOR_NOISE:
        return Interval(math.nan, 0.0, math.inf)
    _, first = np.unique(groups, return_index=True)
    sizes = np.diff([*first, off.size])
    means = np.add.reduceat(off, first) / sizes
    sums = np.add.reduceat((off - np.repeat(means, sizes)) ** 2, first)
    free = sizes - 1
    mean = float(sums.sum() / free.sum())
    error = math.sqrt(float(np.sum((sums - free * mean) ** 2))) / float(free.sum())
    freedom = max(float(free.sum()) ** 2 / float(np.sum(free**2)) - 1, 1.0)
    reach = float(student.ppf(0.5 + CONFIDENCE / 2, freedom))
    # The rounding itself: a step's width squared over 12.
    square = mean - 1 / 12
    low, high = square - reach * error, square + reach * error
    return Interval(*(math.sqrt(max(one, 0.0)) for one in (square, low, high)))


def _moves(level: FloatArray, groups: IntArray) -> BoolArray:
    """Which values lie in groups over which the level moves by two counts and more."""
    if not level.size:
        return np.zeros(0, dtype=bool)
    _, first, place = np.unique(groups, return_index=True, return_inverse=True)
    span = np.maximum.reduceat(level, first) - np.minimum.reduceat(level, first)
    return np.asarray(span[place] >= 2.0)
