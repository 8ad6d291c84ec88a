"""Where the bench signal lies in a capture: its marks, found by matched filters.

What a filter is matched to is how the design's own envelope rises in the mark. Only rises count: they are
steep on every board, whatever its release. Both marks together give the capture's delay and its clock.
Where a
fault bends the marks past recognition, the whole signal as such a board would show it is looked for instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d, uniform_filter1d
from scipy.signal import fftconvolve

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import BoardValues
from envlab.bench.signals.program import Stretch
from envlab.errors import EnvlabError
from envlab.units import FloatArray

# A microcontroller's own oscillator is off by up to 2 %; a little more is looked for.
CLOCKS = np.linspace(-0.025, 0.025, 21)
RATE_HZ = 1000.0
# Likeness to a mark from which on it is one: noise alone stays below 0.4 (tests/bench/fit/test_fit.py).
ENOUGH = 0.5
# The same of the whole signal, which is long: its slow changes resemble other music's more than a mark does.
ENOUGH_WHOLE = 0.8
# Between two of CLOCKS both marks drift apart by less than this, values.
_SLACK = 30
_TAIL_S = 0.1
# What a whole signal is compared by is slower than this, values: a board that reads a few counts only
# shows as much noise as signal from one value to the next.
_SLOW = 20
_AROUND_S = 0.6
_FINER = 4


class NoMarksError(EnvlabError):
    """A capture in which the bench signal's marks were not found."""


@dataclass(frozen=True)
class Alignment:
    """Where the file lies in a capture.

    delay_s: when it began, on a right clock, s. clock: how much too fast the capture's clock runs, as a
    share. likeness: of the less alike mark to what was looked for, 0 to 1.
    """

    delay_s: float
    clock: float
    likeness: float


def align(capture: Capture, model: BenchModel, trial: BoardValues) -> Alignment:
    """Return where the bench signal lies in a capture.

    Parameters
    ----------
    capture : Capture
        What came back.
    model : BenchModel
        The design and what was played.
    trial : BoardValues
        What the filters are matched to.

    Raises
    ------
    NoMarksError
        One line, if a mark is not found.
    """
    heard = _rises(capture.evenly(RATE_HZ))
    marks = model.program.marks
    shapes = [_shown(model, [trial], mark.start_s, mark.duration_s + _TAIL_S)[0] for mark in marks]
    apart_s = marks[1].start_s - marks[0].start_s
    best = (-1.0, 0.0, 0.0, 0.0)
    for clock in CLOCKS:
        first, last = (_likeness(heard, _rises(_on_clock(shape, clock))) for shape in shapes)
        apart = round(apart_s * (1 + clock) * RATE_HZ)
        if last.size <= apart + _SLACK:
            continue
        # The stop mark stands where the start mark says, but for what is between two of the clocks.
        behind = maximum_filter1d(last, 2 * _SLACK + 1)[apart : apart + first.size]
        both = first[: behind.size] + behind
        at = int(np.argmax(both))
        if both[at] > best[0]:
            begin = max(at + apart - _SLACK, 0)
            then = begin + int(np.argmax(last[begin : at + apart + _SLACK + 1]))
            less = float(min(first[at], last[then]))
            best = (float(both[at]), at + _between(first, at), then + _between(last, then), less)
    _, start, stop, likeness = best
    if not likeness >= ENOUGH:
        raise NoMarksError(_not_found(capture, likeness, ENOUGH))
    clock = (stop - start) / RATE_HZ / apart_s - 1
    return _placed(capture, start, clock, marks[0], likeness)


def align_whole(
    capture: Capture, model: BenchModel, trials: Sequence[BoardValues], most_v: float = math.inf
) -> Alignment:
    """Return where the signal lies, by its whole length, as the trial board that it resembles most shows it.

    Parameters
    ----------
    capture, model
        As align.
    trials : sequence of BoardValues
        Boards with faults that bend the marks.
    most_v : float
        Where the capture ends, V above its rest.

    Raises
    ------
    NoMarksError
        One line, if the capture resembles none of them.
    """
    around = np.full(round(_AROUND_S * RATE_HZ), np.nan)
    heard = np.concatenate((around, capture.evenly(RATE_HZ), around))
    edges = np.isnan(heard)
    heard[edges] = np.interp(np.flatnonzero(edges), np.flatnonzero(~edges), heard[~edges])
    heard = uniform_filter1d(heard, _SLOW)
    best = (-1.0, 0.0, 0.0)
    for whole in _shown(model, trials, 0.0, model.program.duration_s):
        shape = np.minimum(whole, most_v)
        for clock in np.linspace(CLOCKS[0], CLOCKS[-1], 2 * CLOCKS.size - 1):
            likeness = _likeness_about_mean(heard, uniform_filter1d(_on_clock(shape, clock), _SLOW))
            if likeness.size and likeness.max() > best[0]:
                at = int(np.argmax(likeness))
                best = (float(likeness[at]), at + _between(likeness, at), float(clock))
    likeness_most, start, clock = best
    if not likeness_most >= ENOUGH_WHOLE:
        raise NoMarksError(_not_found(capture, likeness_most, ENOUGH_WHOLE))
    return _placed(capture, start - around.size, clock, model.program.stretches[0], likeness_most)


def _placed(capture: Capture, start: float, clock: float, first: Stretch, likeness: float) -> Alignment:
    start_s = float(capture.time_s[0]) + start / RATE_HZ
    return Alignment(start_s / (1 + clock) - first.start_s, clock, likeness)


def _not_found(capture: Capture, likeness: float, enough: float) -> str:
    return (
        f"{capture.name or 'capture'}: the bench signal's marks were not found (likeness "
        f"{likeness:.2f}, at least "
        f"{enough} is wanted); capture the whole file from before it begins until after its end, "
        f"and play it louder"
    )


def _rises(values: FloatArray) -> FloatArray:
    return np.maximum(np.diff(values), 0.0)


def _shown(model: BenchModel, trials: Sequence[BoardValues], start_s: float, duration_s: float) -> FloatArray:
    """What boards hold from a moment of the file on, shape (trials, n), V, at _FINER times RATE_HZ."""
    times_s = start_s + np.arange(int(duration_s * RATE_HZ * _FINER)) / (RATE_HZ * _FINER)
    return np.asarray(model.read(trials, times_s).read_v.T)


def _on_clock(shape: FloatArray, clock: float) -> FloatArray:
    """A shape read at RATE_HZ by a clock that is off."""
    step = _FINER / (1 + clock)
    places = np.arange(int((shape.size - 1) / step) + 1) * step
    return np.asarray(np.interp(places, np.arange(shape.size), shape))


def _likeness(heard: FloatArray, shape: FloatArray) -> FloatArray:
    """Of what was heard from each value on to a shape, 0 to 1."""
    if shape.size >= heard.size or not shape.any():
        return np.zeros(0)
    product = fftconvolve(heard, shape[::-1], mode="valid")
    energy = np.maximum(fftconvolve(heard**2, np.ones(shape.size), mode="valid"), 0.0)
    least = 1e-9 * heard.max(initial=1e-12)
    return np.asarray(product / (np.sqrt(energy) + least) / np.linalg.norm(shape))


def _likeness_about_mean(heard: FloatArray, shape: FloatArray) -> FloatArray:
    """The same of what both have about their means, −1 to 1."""
    if shape.size >= heard.size or np.ptp(shape) == 0:
        return np.zeros(0)
    about = shape - shape.mean()
    product = fftconvolve(heard, about[::-1], mode="valid")
    sums = np.concatenate(([0.0], np.cumsum(heard)))
    squares = np.concatenate(([0.0], np.cumsum(heard**2)))
    many = shape.size
    total = sums[many:] - sums[:-many]
    energy = np.maximum(squares[many:] - squares[:-many] - total**2 / many, 1e-12 * squares[-1] + 1e-30)
    return np.asarray(product / np.sqrt(energy) / np.linalg.norm(about))


def _between(values: FloatArray, at: int) -> float:
    """Where between its neighbours a peak lies, by the parabola through three, −½ to ½."""
    if not 0 < at < values.size - 1:
        return 0.0
    before, here, after = values[at - 1 : at + 2]
    bend = before - 2 * here + after
    return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0
