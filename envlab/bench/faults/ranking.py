"""Faults ranked by how likely they are, given what was fitted.

Each class says where it puts the fitted numbers; how far they scatter round that is the tolerances' and the
fit's own uncertainty. What is said of a class is its share of the probability, by Bayes' rule, with a healthy
board as likely beforehand as all faults together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, multivariate_normal

from envlab.bench.faults.fault_classes import (
    CANNOT_TELL,
    HEALTHY,
    TOLD_BY,
    FaultClass,
    fault_classes,
    vector,
)
from envlab.bench.fit.expected import TOGETHER, Expected
from envlab.bench.fit.fit import FittedBoard
from envlab.bench.fit.values import BoardValues, designed_values
from envlab.bench.fit.vector import vector_of
from envlab.bench.signals.expected_boards import spread_of
from envlab.chain import Chain

# A first class with less than this, and what lies farther from every class than one board in a million would,
# is no answer.
ENOUGH = 0.6
_FAR = 1e-6
# Least standard deviation of what does not vary among boards as drawn.
_LEAST = {
    "gain": 0.02,
    "attack_s": 0.02,
    "release_s": 0.02,
    "offset_lsb": 0.5,
    "drop_v": 2e-3,
    "limit": 0.05,
    "low_gain": 0.02,
    "high_gain": 0.02,
    "lean_v": 3e-3,
    "corner": 0.2,
}
# The level at the microphone is known to some 3 dB at best.
_LEAST_BY_AIR = {"gain": 0.35, "low_gain": 0.35, "high_gain": 0.35}


@dataclass(frozen=True)
class Suspect:
    """name: of a class. likelihood: its share, 0 to 1. next_step: what to measure to be sure."""

    name: str
    likelihood: float
    next_step: str


@dataclass(frozen=True)
class Ranking:
    """suspects: the likeliest first. verdict: its name, or "cannot tell" where none is likely enough."""

    suspects: tuple[Suspect, ...]
    verdict: str

    @property
    def is_healthy(self) -> bool:
        """Whether the board lies within its tolerances."""
        return self.verdict == HEALTHY


def rank_faults(
    chain: Chain,
    way: str,
    candidates: Sequence[FittedBoard],
    healthy: list[BoardValues],
) -> Ranking:
    """Return the classes of faults by likelihood.

    Parameters
    ----------
    chain : Chain
        The design.
    way : str
        How the signal was put in: by air the gain says less.
    candidates : sequence of FittedBoard
        The board as fitted, from one start or several, with both halves of the wave or one.
    healthy : list of BoardValues
        Boards within their tolerances.
    """
    design = designed_values(chain)
    mean, spread = _scatter(way, healthy, TOLD_BY)
    mean = mean - vector_of(design, TOLD_BY)
    classes = fault_classes(chain)
    least_rms = min(board.rms for board in candidates)
    logs, near = [], 0.0
    for one in classes:
        log = -math.inf
        for board in candidates:
            if board.values.half_wave == one.half_wave:
                fits, share = _log_likelihood(one, board, design, mean, spread)
                readings = int(np.isfinite(board.residual).sum())
                log = max(log, fits - readings / TOGETHER * math.log(board.rms / least_rms))
                near = max(near, share)
        logs.append(log)
    prior = [0.0, *[-math.log(len(classes) - 1)] * (len(classes) - 1)]
    weights = np.array(logs) + prior
    shares = np.exp(weights - weights.max())
    shares /= shares.sum()
    order = np.argsort(-shares)
    suspects = tuple(
        Suspect(classes[place].name, float(shares[place]), classes[place].next_step) for place in order
    )
    sure = suspects[0].likelihood >= ENOUGH and near > _FAR
    return Ranking(suspects, suspects[0].name if sure else CANNOT_TELL)


def expected_of(board: BoardValues, chain: Chain, way: str, healthy: list[BoardValues]) -> Expected:
    """Return what boards are that differ from healthy ones as one board differs from the design.

    Parameters
    ----------
    board : BoardValues
        The design with one fault.
    chain, way, healthy
        As rank_faults.
    """
    names = tuple(_LEAST)
    mean, spread = _scatter(way, healthy, names)
    away = vector_of(board, names) - vector_of(designed_values(chain), names)
    return Expected(names, mean + away, spread)


def _scatter(way: str, healthy: list[BoardValues], names: tuple[str, ...]) -> tuple[np.ndarray, np.ndarray]:
    """(mean, covariance) of healthy boards' numbers, with what is not drawn."""
    mean, spread = spread_of(healthy, names)
    known = _LEAST | _LEAST_BY_AIR if way == "acoustic" else _LEAST
    return mean, spread + np.diag([known[name] ** 2 for name in names])


def certain(name: str, next_step: str) -> Ranking:
    """Return a ranking with one class, for what shows without a fit."""
    return Ranking((Suspect(name, 1.0, next_step),), name)


def _log_likelihood(
    one: FaultClass, board: FittedBoard, design: BoardValues, mean: np.ndarray, spread: np.ndarray
) -> tuple[float, float]:
    """(logarithm of the likelihood, share of boards of the class that lie farther out)."""
    told = [place for place, name in enumerate(TOLD_BY) if name in board.names]
    places = [board.names.index(TOLD_BY[place]) for place in told]
    own = board.covariance[np.ix_(places, places)]
    covariance = (spread + np.diag(one.width**2))[np.ix_(told, told)] + own
    here = vector(board.values, design)[told]
    logs, far = [], 0.0
    # A class that changes a number which the capture does not show says nothing here.
    unseen = [place for place in range(len(TOLD_BY)) if place not in told]
    for shift in one.shifts:
        if np.any(np.abs(shift[unseen]) > 0.4):
            continue
        middle = (mean + shift)[told]
        logs.append(float(multivariate_normal.logpdf(here, middle, covariance, allow_singular=True)))
        away = here - middle
        square = float(away @ np.linalg.pinv(covariance) @ away)
        far = max(far, float(chi2.sf(square, len(told))))
    if not logs:
        return -math.inf, 0.0
    return float(np.logaddexp.reduce(logs)) - math.log(len(one.shifts)), far
