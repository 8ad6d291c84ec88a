"""How far a room moves what is fitted to a capture by air.

The model plays its tones into no room. What an echo does to a fit is not told by how its residual scatters:
it makes every attack look slow. (What noise does is, and the jackknife sees it.) So usual rooms, drawn from a
seed, are played through the fitted board, and what each would move follows from the fit's own slopes. How
strong the room really was, the part of the residual that is no noise of the converter says; in a dead and
quiet room nothing is added.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import fftconvolve

from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import BoardValues
from envlab.bench.signals.program import SAMPLE_RATE_HZ
from envlab.units import FloatArray, from_db

# A furnished room half a metre before a small loudspeaker; common practice, no source. Only its shape counts:
# how strong it is, is taken from the residual.
_ECHO_S, _TAIL_DB = 0.4, -10.0
ROOMS, _SEED = 6, 4
# A scatter known from six cases only is taken larger, by Student's t over the normal quantile.
_FEW = (2.447 / 1.960) ** 2
# Slopes at one board say too little of moves as large as an echo's: by a factor of up to 1.3
# on boards 0 and 1 of tests/bench/room.py, on which this was set; taken as 2.
_BENT = 2.0**2
# How many standard deviations of its own chance a residual must lie over the converter's noise.
_SURE = 4.0


def slow_share(residual: FloatArray) -> float:
    """Return the mean square of a residual that is no noise from one reading to the next, counts² or V².

    residual: shape (n,), in the order of time.
    """
    quick = float(np.mean(np.diff(residual) ** 2)) / 2
    whole = float(np.mean(residual**2))
    return max(whole - quick * (1 + _SURE * math.sqrt(3 / residual.size)), 0.0)


def room_covariance(
    model: BenchModel,
    values: BoardValues,
    times_s: FloatArray,
    per_reading: FloatArray,
    slopes: FloatArray,
    residual: FloatArray,
) -> FloatArray:
    """Return what a room adds to the covariance of fitted numbers.

    Parameters
    ----------
    model : BenchModel
        Of the design and the bench signal.
    values : BoardValues
        The fitted board.
    times_s : ndarray of float
        Shape (n,), of the readings in the file, s.
    per_reading : ndarray of float
        Shape (n,), change of a reading per volt, counts/V or 1.
    slopes : ndarray of float
        Shape (n, p), change of each reading per change of each number.
    residual : ndarray of float
        Shape (n,).

    Returns
    -------
    ndarray of float
        Shape (p, p); zeros where the residual is the converter's noise alone.
    """
    excess = slow_share(residual)
    count = slopes.shape[1]
    if excess == 0.0:
        return np.zeros((count, count))
    dry_v = model.read([values], times_s).read_v[:, 0]
    scale = np.maximum(np.linalg.norm(slopes, axis=0), 1e-300)
    inverse = np.linalg.pinv(slopes / scale, rcond=1e-9)
    moves, left = [], []
    for number in range(ROOMS):
        heard = model.hearing(in_a_room(model, number))
        off = (heard.read([values], times_s).read_v[:, 0] - dry_v) * per_reading
        step = inverse @ off
        moves.append(step / scale)
        left.append(float(np.mean((off - (slopes / scale) @ step) ** 2)))
    away = np.array(moves)
    strength = excess / max(float(np.mean(left)), 1e-300)
    return np.asarray(_FEW * _BENT * strength * away.T @ away / ROOMS)


def in_a_room(model: BenchModel, number: int) -> FloatArray:
    """Return a model's wave at the rectifier as one of the rooms makes it, shape as the wave.

    Everything before the rectifier is linear, so the room may stand behind it.
    """
    rng = np.random.default_rng([_SEED, number])
    every = round(model.rate_hz / SAMPLE_RATE_HZ)
    taps = int(1.5 * _ECHO_S * SAMPLE_RATE_HZ)
    tail = rng.standard_normal(taps) * 10 ** (-3 * np.arange(taps) / (_ECHO_S * SAMPLE_RATE_HZ))
    tail *= from_db(_TAIL_DB) / np.sqrt(np.sum(tail**2))
    kernel = np.zeros(taps * every)
    kernel[::every] = tail
    echo = fftconvolve(model.wave_v, kernel)[: model.wave_v.size]
    return np.asarray(model.wave_v + echo)
