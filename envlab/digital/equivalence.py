"""Three analog parts or a few lines of firmware: which follower behaves like this detector, and back.

The follower works on the rectified signal as a fast ADC reads it; the detector on the continuous one. Their
laws differ: a detector falls towards zero, a follower towards its input, and neither pays the full attack
time in a cycle that conducts for a fraction of it. So the detector's own time constants, put into a
follower, are a first guess and no more; the fitted ones differ by what music does to both.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from envlab.analog.adc import instants_s, read_at
from envlab.analog.detector import AverageDetector, Detector, PeakDetector, detect
from envlab.analog.parts import nearest_value
from envlab.digital.followers import AttackRelease, follow
from envlab.errors import ParameterError, check_positive, check_range
from envlab.units import FloatArray

_Result = TypeVar("_Result")
_FIT_TOLERANCE = 1e-3
_MOST_FITS = 400
# A few milliseconds of a few seconds of sound.
_TRIES_AT_ONCE = 4
# What scipy's minimize says where it has made as many tries as it may.
_STOPPED = 2


def _whole(portions: Generator[None, None, _Result]) -> _Result:
    """Go through all portions and return what they end in."""
    while True:
        try:
            next(portions)
        except StopIteration as done:
            result: _Result = done.value
            return result


@dataclass(frozen=True)
class Match:
    """One follower or detector against what it is to behave like.

    gain: factor on its output. difference_db: 20 lg of its reading over the wanted one, at every reading
    at which either is above the floor, shape (readings,); 0 where both are below.
    rms_db, worst_db: root mean square and 99 % of the magnitude over the readings above the floor.
    """

    follower: AttackRelease
    gain: float
    difference_db: FloatArray
    rms_db: float
    worst_db: float


@dataclass(frozen=True)
class Equivalence:
    """The detector's reading over a clip, and two followers against it.

    times_s, wanted_v: instants (readings,) and the detector's voltage there. naive: the detector's own time
    constants, gain 1. fitted: the time constants and the gain with the least rms difference.
    """

    times_s: FloatArray
    wanted_v: FloatArray
    naive: Match
    fitted: Match


@dataclass(frozen=True)
class PartsMatch:
    """Parts that behave like a follower.

    detector: from the E series. ideal: before rounding to it. gain: factor on the detector's voltage.
    rms_db, worst_db: as in Match, for the detector from the series.
    """

    detector: PeakDetector
    ideal: PeakDetector
    gain: float
    rms_db: float
    worst_db: float


def naive_follower(detector: Detector) -> AttackRelease:
    """Return a follower with the detector's own time constants."""
    if isinstance(detector, AverageDetector):
        return AttackRelease(detector.smoothing_s, detector.smoothing_s)
    return AttackRelease(detector.charge_s, detector.release_s)


def sampled_drive(drive_v: FloatArray, *, sample_rate_hz: float, follower_rate_hz: float) -> FloatArray:
    """Return what a fast ADC reads of a rectified signal: its values at 0, 1/follower_rate_hz …

    drive_v: shape (n,), V, at sample_rate_hz, many times follower_rate_hz. Nothing is filtered first, as on
    the board: what lies above half the follower's rate is folded down.
    """
    check_positive("sample_rate_hz", sample_rate_hz, unit="Hz")
    check_range("follower_rate_hz", follower_rate_hz, 100.0, sample_rate_hz, unit="Hz")
    times = instants_s(drive_v.size / sample_rate_hz, follower_rate_hz)
    return drive_v[np.minimum(np.rint(times * sample_rate_hz).astype(np.int64), drive_v.size - 1)]


def equivalent_follower(
    drive_v: FloatArray,
    detector: Detector,
    *,
    sample_rate_hz: float,
    follower_rate_hz: float = 20_000.0,
    reading_rate_hz: float = 1000.0,
    floor_v: float = 0.0032,
) -> Equivalence:
    """Return the followers that behave like a detector on this clip, and how far they are from it.

    drive_v: shape (n,), V ≥ 0, rectified, at the internal rate sample_rate_hz. follower_rate_hz: rate of the
    fast ADC. reading_rate_hz: rate at which both are compared. floor_v: what counts as silence, one count of
    a 10 bit ADC on 3.3 V by default; it is added to both before their ratio is taken, so that the quiet
    between two beats does not outvote the beats. Raises ParameterError for a clip that is all silence.
    """
    check_positive("floor_v", floor_v, unit="V")
    held_v, _ = detect(drive_v, detector, sample_rate_hz=sample_rate_hz)
    times = instants_s(drive_v.size / sample_rate_hz, reading_rate_hz)
    wanted_v = read_at(held_v, times, sample_rate_hz=sample_rate_hz)
    if wanted_v.max() < floor_v:
        raise ParameterError("drive_v", float(wanted_v.max()), f"a clip that rises above {floor_v:g} V")
    fast_v = sampled_drive(drive_v, sample_rate_hz=sample_rate_hz, follower_rate_hz=follower_rate_hz)

    naive = naive_follower(detector)
    alone = _compared(fast_v, wanted_v, times, follower_rate_hz, floor_v)(naive, 1.0)
    fitted = follower_like(fast_v, wanted_v, times, naive, follower_rate_hz=follower_rate_hz, floor_v=floor_v)
    return Equivalence(times, wanted_v, alone, fitted)


def follower_like(
    fast_v: FloatArray,
    wanted_v: FloatArray,
    times_s: FloatArray,
    first_guess: AttackRelease,
    *,
    follower_rate_hz: float,
    floor_v: float = 0.0032,
) -> Match:
    """Return the follower and the gain whose reading of a fast ADC is least away from the wanted volts.

    fast_v: shape (n,), V ≥ 0, rectified readings at follower_rate_hz. wanted_v: V at times_s, shape
    (readings,), s from the first of fast_v. floor_v as in equivalent_follower.
    """
    return _whole(
        follower_like_in_portions(
            fast_v, wanted_v, times_s, first_guess, follower_rate_hz=follower_rate_hz, floor_v=floor_v
        )
    )


def follower_like_in_portions(
    fast_v: FloatArray,
    wanted_v: FloatArray,
    times_s: FloatArray,
    first_guess: AttackRelease,
    *,
    follower_rate_hz: float,
    floor_v: float = 0.0032,
) -> Generator[None, None, Match]:
    """Find what follower_like returns, in portions of a few tries each, and return it at the end.

    fast_v (n,), V; wanted_v (readings,), V, at times_s, s: all arguments as there.
    """
    shortest = 0.1 / follower_rate_hz
    start = (max(first_guess.attack_s, shortest), max(first_guess.release_s, shortest))

    def output(periods_s: tuple[float, float]) -> FloatArray:
        return _readings(fast_v, AttackRelease(*periods_s), follower_rate_hz, times_s)

    attack_s, release_s, gain = yield from _fit(output, start, wanted_v, floor_v)
    compared = _compared(fast_v, wanted_v, times_s, follower_rate_hz, floor_v)
    return compared(AttackRelease(attack_s, release_s), gain)


def _compared(
    fast_v: FloatArray, wanted_v: FloatArray, times_s: FloatArray, follower_rate_hz: float, floor_v: float
) -> Callable[[AttackRelease, float], Match]:
    def match(follower: AttackRelease, gain: float) -> Match:
        reading_v = gain * _readings(fast_v, follower, follower_rate_hz, times_s)
        difference = difference_db(reading_v, wanted_v, floor_v)
        return Match(follower, gain, difference, *_metrics(difference, wanted_v, floor_v))

    return match


def equivalent_parts(
    drive_v: FloatArray,
    follower: AttackRelease,
    *,
    hold_farad: float,
    sample_rate_hz: float,
    follower_rate_hz: float = 20_000.0,
    reading_rate_hz: float = 1000.0,
    floor_v: float = 0.0032,
    series: str = "E24",
) -> PartsMatch:
    """Return the peak detector, with this capacitor, that behaves like a follower on this clip.

    Arguments as equivalent_follower; series: E series of both resistors.
    """
    check_positive("floor_v", floor_v, unit="V")
    times = instants_s(drive_v.size / sample_rate_hz, reading_rate_hz)
    fast_v = sampled_drive(drive_v, sample_rate_hz=sample_rate_hz, follower_rate_hz=follower_rate_hz)
    wanted_v = _readings(fast_v, follower, follower_rate_hz, times)
    if wanted_v.max() < floor_v:
        raise ParameterError("drive_v", float(wanted_v.max()), f"a clip that rises above {floor_v:g} V")

    def part(ohms: tuple[float, float]) -> PeakDetector:
        return PeakDetector(_within(ohms[0], 0.01, 100e6), hold_farad, _within(ohms[1], 1.0, 1e9))

    def output(ohms: tuple[float, float]) -> FloatArray:
        held_v, _ = detect(drive_v, part(ohms), sample_rate_hz=sample_rate_hz)
        return read_at(held_v, times, sample_rate_hz=sample_rate_hz)

    shortest = 0.1 / follower_rate_hz
    start = (max(follower.attack_s, shortest) / hold_farad, max(follower.release_s, shortest) / hold_farad)
    attack_ohm, release_ohm, _ = _whole(_fit(output, start, wanted_v, floor_v))
    ideal = part((attack_ohm, release_ohm))
    bought = part((nearest_value(series, ideal.attack_ohm), nearest_value(series, ideal.release_ohm)))
    voltage = output((bought.attack_ohm, bought.release_ohm))
    gain = _best_gain(voltage, wanted_v, floor_v)
    difference = difference_db(gain * voltage, wanted_v, floor_v)
    return PartsMatch(bought, ideal, gain, *_metrics(difference, wanted_v, floor_v))


def difference_db(reading_v: FloatArray, wanted_v: FloatArray, floor_v: float) -> FloatArray:
    """Return 20 lg((reading + floor)/(wanted + floor)), 0 where both are under the floor, any shape."""
    ratio = (reading_v + floor_v) / (wanted_v + floor_v)
    return np.where(np.maximum(reading_v, wanted_v) < floor_v, 0.0, 20.0 * np.log10(ratio))


def _readings(
    fast_v: FloatArray, follower: AttackRelease, follower_rate_hz: float, times_s: FloatArray
) -> FloatArray:
    followed, _ = follow(fast_v, follower, rate_hz=follower_rate_hz)
    latest = np.floor(times_s * follower_rate_hz + 1e-9).astype(np.int64)
    return followed[np.minimum(latest, followed.size - 1)]


def _metrics(difference: FloatArray, wanted_v: FloatArray, floor_v: float) -> tuple[float, float]:
    heard = difference[(wanted_v >= floor_v) | (difference != 0)]
    return float(np.sqrt(np.mean(heard**2))), float(np.quantile(np.abs(heard), 0.99))


def _best_gain(reading_v: FloatArray, wanted_v: FloatArray, floor_v: float) -> float:
    """Return the factor on a reading that leaves no mean difference in dB, found by three rounds."""
    gain = 1.0
    for _ in range(3):
        heard = np.maximum(gain * reading_v, wanted_v) >= floor_v
        offset_db = difference_db(gain * reading_v, wanted_v, floor_v)[heard].mean()
        gain *= 10.0 ** (-float(offset_db) / 20.0)
    return gain


def _fit(
    output: Callable[[tuple[float, float]], FloatArray],
    start: tuple[float, float],
    wanted_v: FloatArray,
    floor_v: float,
) -> Generator[None, None, tuple[float, float, float]]:
    """Return the two values and the gain whose output differs least from what is wanted.

    The simplex is all that Nelder and Mead's method remembers: begun anew from it, it goes on as if it had
    never stopped. What was tried before is not tried again.
    """
    from scipy.optimize import minimize

    @functools.cache
    def cost_of(first: float, second: float) -> float:
        logs = np.array([first, second])
        if np.abs(logs - np.log(start)).max() > math.log(1000.0):
            return 100.0 + float(np.abs(logs - np.log(start)).max())
        reading = output((math.exp(logs[0]), math.exp(logs[1])))
        gain = _best_gain(reading, wanted_v, floor_v)
        return _metrics(difference_db(gain * reading, wanted_v, floor_v), wanted_v, floor_v)[0]

    def cost(logs: FloatArray) -> float:
        return cost_of(float(logs[0]), float(logs[1]))

    simplex = np.log(start) + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, -1.0]])
    while True:
        found = minimize(
            cost,
            simplex[0],
            method="Nelder-Mead",
            options={
                "initial_simplex": simplex,
                "xatol": _FIT_TOLERANCE,
                "fatol": _FIT_TOLERANCE,
                "maxiter": _TRIES_AT_ONCE,
            },
        )
        simplex = found.final_simplex[0]
        if found.status != _STOPPED or cost_of.cache_info().currsize >= _MOST_FITS:
            break
        yield
    first, second = (math.exp(value) for value in found.x)
    return first, second, _best_gain(output((first, second)), wanted_v, floor_v)


def _within(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)
