"""Where a recording lies in a board's log: found by the rises of both envelopes, clock and all."""

from __future__ import annotations

import numpy as np
from scipy.signal import fftconvolve

from envlab.bench.captures.capture import Capture
from envlab.bench.fit.align import Alignment
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import designed_values
from envlab.errors import EnvlabError
from envlab.units import FloatArray

RATE_HZ = 200.0
# A microcontroller's own oscillator is off by up to 2 %, a little more is looked for; over a minute a step
# of this grid drifts by 30 ms.
CLOCKS = np.linspace(-0.025, 0.025, 101)
# Likeness of the same song is above, of another song below (tests/bench/night/test_night.py).
ENOUGH = 0.5
LEAST_S = 5.0


def match(capture: Capture, model: BenchModel) -> Alignment:
    """Return where the recording that a model plays lies in a board's log.

    Parameters
    ----------
    capture : Capture
        The log.
    model : BenchModel
        Of the design, playing the recording.

    Raises
    ------
    EnvlabError
        One line, if the two do not show the same music, or share less than 5 s.
    """
    length_s = model.program.duration_s
    if min(length_s, capture.duration_s) < LEAST_S:
        raise EnvlabError(
            f"{capture.name or 'log'}: recording and log are {length_s:.1f} s and {capture.duration_s:.1f} s "
            f"long; {LEAST_S:g} s at least are wanted"
        )
    times_s = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
    shown = model.read([designed_values(model.chain)], times_s).read_v[:, 0]
    logged = capture.evenly(RATE_HZ)
    best = (-1.0, 0.0, 0.0)
    for clock in CLOCKS:
        stretched = np.interp(
            np.arange(int(length_s * (1 + clock) * RATE_HZ)) / RATE_HZ / (1 + clock), times_s, shown
        )
        likeness, lag = _likeness(_rises(logged), _rises(stretched))
        if likeness > best[0]:
            best = (likeness, lag / RATE_HZ, float(clock))
    likeness, begin_s, clock = best
    if likeness < ENOUGH:
        raise EnvlabError(
            f"{capture.name or 'log'}: does not resemble the recording (likeness {likeness:.2f}, at least "
            f"{ENOUGH:g} wanted); check that both are of the same song and of this design"
        )
    return Alignment((capture.time_s[0] + begin_s) / (1 + clock), clock, likeness)


def _rises(values: FloatArray) -> FloatArray:
    """How much louder it gets, by the square root, so that a few strokes do not outweigh all else."""
    root = np.sqrt(np.maximum(values - np.percentile(values, 1), 0.0))
    return np.maximum(np.diff(root), 0.0)


def _likeness(logged: FloatArray, shown: FloatArray) -> tuple[float, int]:
    """(likeness, begin of shown in logged) where they are most alike and overlap by LEAST_S at least."""
    back = shown[::-1]
    product = fftconvolve(logged, back)
    here = fftconvolve(logged**2, np.ones(shown.size))
    there = fftconvolve(np.ones(logged.size), back**2)
    overlap = fftconvolve(np.ones(logged.size), np.ones(shown.size))
    energy = np.maximum(here, 0.0) * np.maximum(there, 0.0)
    # Where next to nothing of either is heard, nothing can be alike.
    floor = 0.02 * here.max() * there.max()
    alike = np.where((overlap >= LEAST_S * RATE_HZ - 1.5) & (energy > floor), product, -1.0)
    alike = alike / np.sqrt(np.maximum(energy, floor))
    at = int(np.argmax(alike))
    return float(alike[at]), at - (shown.size - 1)
