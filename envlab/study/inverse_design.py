"""From the behaviour that is wanted to parts: through the simulated detector, not through R·C."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from envlab.analog.detector import PeakDetector
from envlab.analog.parts import series_values
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.tones.steady_state import ToneResponse, tone_response
from envlab.errors import ParameterError, check_positive
from envlab.units import FloatArray, format_value

# Usual bounds of a small board: below, the amplifier cannot give the current; above, leakage takes part
# (common practice, no source).
ATTACK_OHM = (470.0, 100e3)
RELEASE_OHM = (10e3, 2.2e6)
HOLD_FARAD = (10e-9, 10e-6)
_UNIT_FARAD = 1e-6
# Twice the release, to a tenth, of the largest capacitor and resistor.
_LONGEST_S = 2 * math.log(10) * HOLD_FARAD[1] * RELEASE_OHM[1]


@dataclass(frozen=True)
class Wanted:
    """What a detector is to do.

    Parameters
    ----------
    attack_ms : float
        1 kHz burst to 90 % of settled.
    release_ms : float
        Its end to 10 %. Both above 0.
    ripple_db : float or None
        Most ripple at 60 Hz, or None. It is a limit, the other two are aims.
    """

    attack_ms: float
    release_ms: float
    ripple_db: float | None = None

    def __post_init__(self) -> None:
        check_positive("attack_ms", self.attack_ms, unit="ms")
        check_positive("release_ms", self.release_ms, unit="ms")
        if self.ripple_db is not None:
            check_positive("ripple_db", self.ripple_db, unit="dB")


@dataclass(frozen=True)
class Found:
    """The parts that come nearest to what is wanted.

    Parameters
    ----------
    exact : PeakDetector
        Parts that give the aims as nearly as any can, C at 1 µF.
    bought : PeakDetector
        Purchasable parts.
    gives, gives_60hz : ToneResponse
        What the bought parts really do with 1 kHz and 60 Hz.
    miss_percent : float
        The larger of the errors of attack and release.
    ripple_met : bool
        Whether the limit is kept (True without one).
    """

    exact: PeakDetector
    bought: PeakDetector
    gives: ToneResponse
    gives_60hz: ToneResponse
    miss_percent: float
    ripple_met: bool


def parts_for(
    wanted: Wanted,
    rectifier: Rectifier | None = None,
    *,
    resistors: str = "E24",
    capacitors: str = "E6",
) -> Found:
    """Return the detector whose simulated attack and release come nearest to the wanted ones.

    Only two things can be chosen, hold·attack and hold·release; attack and release fix both, so a ripple
    limit that they do not meet is met by a slower attack and release in the same proportion, and said in the
    result's miss.

    Parameters
    ----------
    wanted : Wanted
        Attack and release, as envlab.judge.Wanted.
    rectifier : Rectifier or None
        What stands before it; None: a precision full wave.
    resistors : str
        Series of the resistors that one buys.
    capacitors : str
        Series of the capacitor.

    Returns
    -------
    Found

    Raises
    ------
    ParameterError
        Where no parts within the usual bounds come within a factor of two (it names the nearest that can be
        had), and for a rectifier behind which
        the envelope does not scale with the level: there the times are others at every loudness.

    Examples
    --------
    >>> from envlab import parts_for
    >>> from envlab.judge import Wanted
    >>> found = parts_for(Wanted(attack_ms=10.0, release_ms=300.0))
    >>> found.miss_percent < 10
    True
    """
    rectifier = rectifier or Rectifier()
    if not rectifier.scales_with_level:
        raise ParameterError(
            "rectifier", rectifier.diode, "one that scales with the level, as a precision one"
        )
    try:
        return _found(wanted, rectifier, resistors, capacitors)
    except _OutOfReachError as problem:
        raise _refusal(problem.aims, wanted, rectifier, (resistors, capacitors)) from None


def _found(wanted: Wanted, rectifier: Rectifier, resistors: str, capacitors: str) -> Found:
    scale = 1.0
    exact = _solve(wanted, rectifier, scale)
    if wanted.ripple_db is not None:
        while (ripple_db := tone_response(exact, rectifier, 60.0).ripple_db) > wanted.ripple_db:
            # Ripple falls about as the times grow: one long step, then short ones.
            scale *= max(1.05, 0.9 * ripple_db / wanted.ripple_db)
            if 1e-3 * wanted.release_ms * scale > _LONGEST_S:
                raise _OutOfReachError(_aims(wanted, scale))
            exact = _solve(wanted, rectifier, scale)
    aims = _aims(wanted, scale)
    bought = _nearest_set(exact, aims, rectifier, resistors, capacitors, wanted.ripple_db)
    gives, low = tone_response(bought, rectifier, 1000.0), tone_response(bought, rectifier, 60.0)
    miss = max(
        abs(gives.attack_s / (1e-3 * wanted.attack_ms) - 1),
        abs(gives.release_s / (1e-3 * wanted.release_ms) - 1),
    )
    kept = wanted.ripple_db is None or low.ripple_db <= wanted.ripple_db
    return Found(exact, bought, gives, low, 100 * miss, kept)


def _aims(wanted: Wanted, scale: float) -> tuple[float, float]:
    """Attack and release to aim at, s."""
    return 1e-3 * wanted.attack_ms * scale, 1e-3 * wanted.release_ms * scale


def _solve(wanted: Wanted, rectifier: Rectifier, scale: float) -> PeakDetector:
    from scipy.optimize import least_squares

    aims = np.log(_aims(wanted, scale))

    def miss(constants: FloatArray) -> FloatArray:
        try:
            part = _with_constants(*np.exp(constants))
        except ParameterError:
            raise _OutOfReachError(_aims(wanted, scale)) from None
        response = tone_response(part, rectifier, 1000.0)
        return np.log([response.attack_s, response.release_s]) - aims

    # A diode that conducts a tenth of the time charges ten times more slowly: start there.
    start = np.array([aims[0] - math.log(10.0), aims[1] - math.log(math.log(10.0))])
    solved = least_squares(miss, start, xtol=1e-10, ftol=1e-12, diff_step=np.full(2, 1e-4))
    return _with_constants(*np.exp(solved.x))


def _with_constants(attack_s: float, release_s: float) -> PeakDetector:
    return PeakDetector(float(attack_s) / _UNIT_FARAD, _UNIT_FARAD, float(release_s) / _UNIT_FARAD)


def _nearest_set(
    exact: PeakDetector,
    aims: tuple[float, float],
    rectifier: Rectifier,
    resistors: str,
    capacitors: str,
    ripple_db: float | None,
) -> PeakDetector:
    attack_s = exact.attack_ohm * exact.hold_farad
    scored: list[tuple[bool, float, int, PeakDetector]] = []
    for hold_farad in series_values(capacitors, *HOLD_FARAD):
        attacks = _around(resistors, attack_s / hold_farad, ATTACK_OHM)
        releases = _around(resistors, exact.release_s / hold_farad, RELEASE_OHM)
        for attack_ohm, release_ohm in itertools.product(attacks, releases):
            part = PeakDetector(attack_ohm, hold_farad, release_ohm)
            response = tone_response(part, rectifier, 1000.0)
            miss = math.hypot(math.log(response.attack_s / aims[0]), math.log(response.release_s / aims[1]))
            ripples = ripple_db is not None and tone_response(part, rectifier, 60.0).ripple_db > ripple_db
            scored.append((ripples, miss, len(scored), part))
    if not scored or min(scored)[1] > math.log(2):
        raise _OutOfReachError(aims)
    return min(scored)[3]


class _OutOfReachError(Exception):
    """No parts within the usual bounds come near the aims (attack and release, s)."""

    def __init__(self, aims: tuple[float, float]) -> None:
        super().__init__(aims)
        self.aims = aims


def _refusal(
    aims: tuple[float, float], wanted: Wanted, rectifier: Rectifier, series: tuple[str, str]
) -> ParameterError:
    near = nearest_within_reach(wanted, rectifier, *series)
    response = tone_response(near, rectifier, 1000.0)
    return ParameterError(
        "attack_ms, release_ms",
        f"{1e3 * aims[0]:g}, {1e3 * aims[1]:g}",
        f"within reach of {_span(ATTACK_OHM, 'ohm')} and {_span(RELEASE_OHM, 'ohm')} ohm, with "
        f"{_span(HOLD_FARAD, 'F')} F; the nearest that can be had is "
        f"{format_value(response.attack_s, 's')} and {format_value(response.release_s, 's')}, of "
        f"{format_value(near.attack_ohm, 'ohm')}, "
        f"{format_value(near.release_ohm, 'ohm')} and {format_value(near.hold_farad, 'F')}",
    )


def nearest_within_reach(
    wanted: Wanted, rectifier: Rectifier, resistors: str = "E24", capacitors: str = "E6"
) -> PeakDetector:
    """Return the parts within the usual bounds whose attack and release lie nearest to the wanted ones.

    Nearest by the ratios of the times, whose logarithms are squared and added. From the formulas' parts on,
    parts are turned by one step as long as that helps; ripple is of no account.
    """
    values = (
        series_values(resistors, *ATTACK_OHM),
        series_values(capacitors, *HOLD_FARAD),
        series_values(resistors, *RELEASE_OHM),
    )
    aims = _aims(wanted, 1.0)
    known: dict[tuple[int, ...], float] = {}

    def miss(place: tuple[int, ...]) -> float:
        if place not in known:
            part = PeakDetector(*(row[at] for row, at in zip(values, place, strict=True)))
            response = tone_response(part, rectifier, 1000.0)
            known[place] = math.hypot(
                math.log(response.attack_s / aims[0]), math.log(response.release_s / aims[1])
            )
        return known[place]

    place = _first_place(aims, values)
    while True:
        steps = {_moved(place, by, values) for by in itertools.product((-1, 0, 1), repeat=3)}
        best = min((place, *sorted(steps)), key=miss)
        if best == place:
            return PeakDetector(*(row[at] for row, at in zip(values, place, strict=True)))
        place = best


def _first_place(aims: tuple[float, float], values: Sequence[Sequence[float]]) -> tuple[int, ...]:
    """Where the formulas put the parts: attack ten times its RC, release ln 10 times."""

    def closest(row: Sequence[float], wanted: float) -> int:
        return min(range(len(row)), key=lambda at: abs(math.log(row[at] / wanted)))

    constants = aims[0] / 10.0, aims[1] / math.log(10.0)
    hold = closest(values[1], math.sqrt(constants[0] * constants[1] / (ATTACK_OHM[1] * RELEASE_OHM[0])))
    hold_farad = values[1][hold]
    return closest(values[0], constants[0] / hold_farad), hold, closest(values[2], constants[1] / hold_farad)


def _moved(place: tuple[int, ...], by: tuple[int, ...], values: Sequence[Sequence[float]]) -> tuple[int, ...]:
    return tuple(
        min(max(at + step, 0), len(row) - 1) for at, step, row in zip(place, by, values, strict=True)
    )


def _span(bounds: tuple[float, float], unit: str) -> str:
    return f"{format_value(bounds[0], unit)} to {format_value(bounds[1], unit)}"


def _around(series: str, value: float, bounds: tuple[float, float]) -> Sequence[float]:
    """The series' two values on each side of a value, within bounds; nothing if it lies far outside."""
    if not bounds[0] / 1.5 <= value <= bounds[1] * 1.5:
        return ()
    near = [
        part for part in series_values(series, value / 1.5, value * 1.5) if bounds[0] <= part <= bounds[1]
    ]
    return sorted(near, key=lambda part: abs(math.log(part / value)))[:4]
