"""Where the bench signal lies in a capture: its marks, found by matched filters.

What a filter is matched to is how the design's own envelope rises in the mark. Only rises count: they are
steep on every board, whatever its release. Both marks together give the capture's delay and its clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter1d
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
# Likeness to a mark from which on it is one: noise alone stays below 0.4 (tests/bench/fit/test_align.py).
ENOUGH = 0.5
# Between two of CLOCKS both marks drift apart by less than this, values.
_SLACK = 30
_TAIL_S = 0.1


class NoMarksError(EnvlabError):
    """A capture in which the bench signal's marks were not found."""


@dataclass(frozen=True)
class Alignment:
    """delay_s: when the file began, on a right clock, s. clock: how much too fast the capture's clock runs, as
    a share. likeness: of the less alike mark to what was looked for, 0 to 1."""

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
    apart_s = marks[1].start_s - marks[0].start_s
    best = (-1.0, 0.0, 0.0, 0.0)
    for clock in CLOCKS:
        first, last = (_likeness(heard, _shape(model, trial, mark, clock)) for mark in marks)
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
        raise NoMarksError(
            f"{capture.name or 'capture'}: the bench signal's marks were not found (likeness {likeness:.2f}, at "
            f"least {ENOUGH} is wanted); capture the whole file from before it begins until after its end, and "
            "play it louder"
        )
    clock = (stop - start) / RATE_HZ / apart_s - 1
    start_s = float(capture.time_s[0]) + start / RATE_HZ
    return Alignment(start_s / (1 + clock) - marks[0].start_s, clock, likeness)


def _shape(model: BenchModel, trial: BoardValues, mark: Stretch, clock: float) -> FloatArray:
    """How a board's envelope rises in a mark, on a clock that is off."""
    count = int((mark.duration_s + _TAIL_S) * RATE_HZ * (1 + clock))
    times_s = mark.start_s + np.arange(count) / (RATE_HZ * (1 + clock))
    return _rises(model.read([trial], times_s).read_v[:, 0])


def _likeness(heard: FloatArray, shape: FloatArray) -> FloatArray:
    """Of what was heard from each value on to a shape, 0 to 1."""
    if shape.size >= heard.size or not shape.any():
        return np.zeros(0)
    product = fftconvolve(heard, shape[::-1], mode="valid")
    energy = np.maximum(fftconvolve(heard**2, np.ones(shape.size), mode="valid"), 0.0)
    least = 1e-9 * heard.max(initial=1e-12)
    return np.asarray(product / (np.sqrt(energy) + least) / np.linalg.norm(shape))


def _rises(values: FloatArray) -> FloatArray:
    return np.maximum(np.diff(values), 0.0)


def _between(values: FloatArray, at: int) -> float:
    """Where between its neighbours a peak lies, by the parabola through three, −½ to ½."""
    if not 0 < at < values.size - 1:
        return 0.0
    before, here, after = values[at - 1 : at + 2]
    bend = before - 2 * here + after
    return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0
