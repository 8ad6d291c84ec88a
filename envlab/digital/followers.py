"""Envelope followers in floating point, at the ADC's rate, the frame rate or an audio rate.

A follower is a frozen set of times; ``follow`` turns an envelope into a followed envelope and hands back
the state, so that a long signal may be followed in blocks: two blocks give bit for bit what one gives.

Every coefficient is the exact one of a circuit that holds its input over one period T:
``a = 1 - exp(-T/tau)``, not the small-angle ``T/tau``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from envlab.errors import ParameterError, check_positive, check_range
from envlab.units import FloatArray


@dataclass(frozen=True)
class PassThrough:
    """The envelope as it comes."""


@dataclass(frozen=True)
class OnePole:
    """One time constant both ways: y += a*(x - y).

    Parameters
    ----------
    time_s : float
        Seconds, 0 (follows at once) or more.
    """

    time_s: float

    def __post_init__(self) -> None:
        check_range("time_s", self.time_s, 0.0, unit="s")


@dataclass(frozen=True)
class AttackRelease:
    """One pole with one time constant while the input is above the output and another while it is not.

    Parameters
    ----------
    attack_s, release_s : float
        Seconds, 0 (follows at once) or more.
    """

    attack_s: float
    release_s: float

    def __post_init__(self) -> None:
        check_range("attack_s", self.attack_s, 0.0, unit="s")
        check_range("release_s", self.release_s, 0.0, unit="s")


@dataclass(frozen=True)
class PeakHold:
    """Jumps to every new peak, holds it, then falls towards zero, never below the input.

    Parameters
    ----------
    hold_s : float
        Seconds, 0 or more, rounded to whole periods.
    release_s : float
        Time constant of the fall, s, 0 or more.
    """

    hold_s: float
    release_s: float

    def __post_init__(self) -> None:
        check_range("hold_s", self.hold_s, 0.0, unit="s")
        check_range("release_s", self.release_s, 0.0, unit="s")


@dataclass(frozen=True)
class MeanSquare:
    """Exponential time weighting of a sound level meter: one pole on the square, **the root is returned**.

    The result has the unit of the input (a root mean square). Its level falls 4.343/time_s dB per second,
    half as fast as a follower of the magnitude with the same time constant. Source: [IEC61672-1], eq. (1)
    (exponential averaging of the squared signal); F is 0.125 s, S is 1 s.

    Parameters
    ----------
    time_s : float
        Seconds, 0 or more.

    References
    ----------
    [IEC61672-1] IEC 61672-1:2013, Electroacoustics – Sound level meters – Part 1: Specifications.
    """

    time_s: float

    def __post_init__(self) -> None:
        check_range("time_s", self.time_s, 0.0, unit="s")


# One frame of 100 Hz.
USUAL_WINDOW_S = 0.01


@dataclass(frozen=True)
class MovingMean:
    """Mean of the inputs of the last window, at rest 0 before the first one.

    With the frame's own length as window, a frame shows the mean of all readings since the frame before it:
    the converter's noise shrinks by the root of their number, its steps become finer, and of a bass note's
    ripple less is left to fold down. The light is later by half a window.

    Parameters
    ----------
    window_s : float
        Seconds, above 0, rounded to whole periods, at least one.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab.digital.followers import MovingMean, follow
    >>> follow(np.array([0.0, 2.0, 4.0, 6.0]), MovingMean(0.002), rate_hz=1000.0)[0]
    array([0., 1., 3., 5.])
    """

    window_s: float = USUAL_WINDOW_S

    def __post_init__(self) -> None:
        check_positive("window_s", self.window_s, unit="s")


@dataclass(frozen=True)
class MovingMaximum:
    """Largest input of the last window.

    With the frame's own length as window, a frame shows the largest of all readings since the frame before
    it: no peak is missed, and what rises is not late.

    Parameters
    ----------
    window_s : float
        Seconds, above 0, rounded to whole periods, at least one.
    """

    window_s: float = USUAL_WINDOW_S

    def __post_init__(self) -> None:
        check_positive("window_s", self.window_s, unit="s")


Follower = PassThrough | OnePole | AttackRelease | PeakHold | MeanSquare | MovingMean | MovingMaximum


def coefficient(time_s: float, rate_hz: float) -> float:
    """Return the share of the way taken in one period, 1 - exp(-1/(rate_hz*time_s)); 1 for a time of 0."""
    check_range("time_s", time_s, 0.0, unit="s")
    check_positive("rate_hz", rate_hz, unit="Hz")
    return 1.0 if time_s == 0 else -math.expm1(-1.0 / (rate_hz * time_s))


def follow(
    envelope: FloatArray,
    follower: Follower,
    *,
    rate_hz: float,
    state: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return (followed envelope, state after its last sample).

    envelope: shape (time,) or (..., time), any unit (counts, volts, pascal); the result has the same shape
    and unit. rate_hz: samples per second, above 0. state: what the call on the block before returned, or
    None for a follower at rest (all zero before the first sample); its shape is (..., values), where the
    values belong to the follower: one for a pole (its output, squared for MeanSquare), two for PeakHold
    (output, periods left to hold), one less than the window's periods for MovingMean and MovingMaximum (the
    last inputs).

    Raises ParameterError for a wrong rate, a value that is not finite or a state of another shape.
    """
    check_positive("rate_hz", rate_hz, unit="Hz")
    signal = np.asarray(envelope, dtype=np.float64)
    if signal.ndim == 0:
        raise ParameterError("envelope", envelope, "an array with time as its last axis")
    if not np.isfinite(signal).all():
        raise ParameterError("envelope", "a value that is not finite", "finite everywhere")
    if isinstance(follower, PassThrough):
        return signal.copy(), _start(state, signal.shape[:-1], 0)
    rows = np.ascontiguousarray(signal.reshape(math.prod(signal.shape[:-1]), signal.shape[-1]))
    start = _start(state, signal.shape[:-1], _state_values(follower, rate_hz))
    result, end = _follow_rows(rows, follower, rate_hz, start.reshape(len(rows), start.shape[-1]))
    return result.reshape(signal.shape), end.reshape(start.shape)


def _state_values(follower: Follower, rate_hz: float) -> int:
    if isinstance(follower, MovingMean | MovingMaximum):
        return _periods(follower.window_s, rate_hz, at_least=1) - 1
    return 2 if isinstance(follower, PeakHold) else 1


def readings_of_window(follower: Follower, rate_hz: float) -> int:
    """Return how many readings a moving mean or maximum goes over at a rate in Hz; 1 for any other follower.

    Parameters
    ----------
    follower
        Any follower.
    rate_hz
        Of the readings, above 0 Hz.

    Examples
    --------
    >>> readings_of_window(MovingMean(0.01), 1000.0), readings_of_window(PassThrough(), 1000.0)
    (10, 1)
    """
    check_positive("rate_hz", rate_hz, unit="Hz")
    if isinstance(follower, MovingMean | MovingMaximum):
        return _periods(follower.window_s, rate_hz, at_least=1)
    return 1


def steps_a_count(follower: Follower, rate_hz: float) -> int | None:
    """Return into how many equal steps a follower divides whole counts; None: into no whole number of them.

    What it gives is then a whole number of such steps, divided by them.

    Parameters
    ----------
    follower
        Any follower.
    rate_hz
        Of the readings, above 0 Hz.

    Examples
    --------
    >>> [steps_a_count(one, 1000.0) for one in (PassThrough(), MovingMean(0.01), OnePole(0.1))]
    [1, 10, None]
    """
    if isinstance(follower, PassThrough | MovingMaximum):
        return 1
    return readings_of_window(follower, rate_hz) if isinstance(follower, MovingMean) else None


def _periods(time_s: float, rate_hz: float, at_least: int = 0) -> int:
    return max(at_least, round(time_s * rate_hz))


def _start(state: FloatArray | None, leading: tuple[int, ...], values: int) -> FloatArray:
    shape = (*leading, values)
    if state is None:
        return np.zeros(shape)
    start = np.array(state, dtype=np.float64)
    if start.shape != shape:
        raise ParameterError("state", f"of shape {start.shape}", f"of shape {shape}, as follow returned it")
    return start


def _follow_rows(
    rows: FloatArray, follower: Follower, rate_hz: float, start: FloatArray
) -> tuple[FloatArray, FloatArray]:
    from envlab.digital import kernels

    result = np.empty_like(rows)
    if isinstance(follower, OnePole):
        rise = coefficient(follower.time_s, rate_hz)
        kernels.attack_release_rows(rows, start, rise, rise, result)
    elif isinstance(follower, AttackRelease):
        rise, fall = coefficient(follower.attack_s, rate_hz), coefficient(follower.release_s, rate_hz)
        kernels.attack_release_rows(rows, start, rise, fall, result)
    elif isinstance(follower, PeakHold):
        keep = 1.0 - coefficient(follower.release_s, rate_hz)
        kernels.peak_hold_rows(rows, start, _periods(follower.hold_s, rate_hz), keep, result)
    elif isinstance(follower, MeanSquare):
        kernels.mean_square_rows(rows, start, coefficient(follower.time_s, rate_hz), result)
    elif isinstance(follower, MovingMean):
        kernels.moving_mean_rows(rows, start, start.shape[1] + 1, result)
    elif isinstance(follower, MovingMaximum):
        kernels.moving_maximum_rows(rows, start, start.shape[1] + 1, result)
    else:
        raise ParameterError("follower", follower, "one of the followers of this module")
    return result, start
