"""One more measurement tells R from C: a known resistor across the hold capacitor, and a second capture.

The first capture gives τ = Rr·C, the second τ' = (Rr ∥ Rx)·C. Their rates differ by what Rx alone draws:
1/τ' − 1/τ = 1/(Rx·C), which gives C, and with it Ra and Rr.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.detector import PeakDetector
from envlab.analog.parts import nearest_value
from envlab.bench.captures.capture import Capture
from envlab.bench.fit.align import align
from envlab.bench.fit.fit import FittedBoard, fit_board
from envlab.bench.fit.intervals import Interval
from envlab.bench.fit.model import BenchModel
from envlab.bench.fit.values import designed_values
from envlab.chain import Chain
from envlab.errors import EnvlabError, ParameterError, check_range

SERIES = "E6"
# Of the resistor, where its own value was not measured: a metal film one (common practice, no source).
USUAL_PERCENT = 1.0
# About half of Rr makes the second release a third: R and C come apart well, and the attack hardly bends.
_SHARE = 0.45
_NORMAL_95 = 1.959964


@dataclass(frozen=True)
class PartsAlone:
    """hold_farad, attack_ohm, release_ohm: each with its interval of 95 %, F and Ω. release_ohm: all that
    empties the capacitor, its own leakage and the converter's included. known_ohm: the resistor that told."""

    hold_farad: Interval
    attack_ohm: Interval
    release_ohm: Interval
    known_ohm: float


def proposed_resistor(chain: Chain) -> float:
    """Return the resistor to hold across the hold capacitor, Ω, one that can be bought.

    Parameters
    ----------
    chain : Chain
        The design, with a peak detector.

    Returns
    -------
    float
        Ω.

    Raises
    ------
    ParameterError
        For an average detector: nothing but its one resistor empties it.

    Examples
    --------
    >>> import envlab
    >>> from envlab.bench.boards.hold_resistor import proposed_resistor
    >>> proposed_resistor(envlab.Chain(detector=envlab.PeakDetector(4.7e3, 1e-6, 220e3)))
    100000.0
    """
    detector = chain.detector
    if not isinstance(detector, PeakDetector):
        raise ParameterError("detector", type(detector).__name__, "a peak detector, to tell R from C")
    return nearest_value(SERIES, _SHARE * detector.release_ohm)


def fit_with_resistor(
    capture: Capture, model: BenchModel, first: FittedBoard, known_ohm: float
) -> FittedBoard:
    """Return the same board with a known resistor across its hold capacitor, fitted to a second capture.

    Parameters
    ----------
    capture : Capture
        The same bench signal, played the same way.
    model : BenchModel
        As for the first capture.
    first : FittedBoard
        The board without the resistor.
    known_ohm : float
        The resistor, 1 Ω to 100 MΩ.

    Returns
    -------
    FittedBoard

    Raises
    ------
    NoMarksError
        If the bench signal is not found in the capture.
    """
    check_range("known_ohm", known_ohm, 1, 100e6, unit="ohm")
    farad = model.chain.detector_as_built.hold_farad
    quicker_s = 1 / (1 / first.values.release_s + 1 / (known_ohm * farad))
    begin = replace(first.values, release_s=quicker_s)
    design = replace(designed_values(model.chain), attack_s=begin.attack_s, release_s=quicker_s)
    return fit_board(capture, model, align(capture, model, design), begin=begin)


def parts_alone(
    first: FittedBoard, second: FittedBoard, known_ohm: float, known_percent: float = USUAL_PERCENT
) -> PartsAlone:
    """Return hold capacitor, attack and release resistor of a board, each by itself.

    Parameters
    ----------
    first, second : FittedBoard
        Without and with the known resistor.
    known_ohm : float
        The resistor, 1 Ω to 100 MΩ.
    known_percent : float
        How far it may be off, 0.01 to 20 %; a reading of a multimeter makes it less than its tolerance.

    Returns
    -------
    PartsAlone

    Raises
    ------
    EnvlabError
        If the second release is not quicker by more than the two captures' own uncertainty.
    """
    check_range("known_ohm", known_ohm, 1, 100e6, unit="ohm")
    check_range("known_percent", known_percent, 0.01, 20, unit="%")
    slow_s, quick_s = first.values.release_s, second.values.release_s
    slow, quick = _deviation(first, "release_s"), _deviation(second, "release_s")
    drawn = 1 / quick_s - 1 / slow_s
    unsure = math.hypot(quick / quick_s, slow / slow_s)
    if drawn < 3 * _NORMAL_95 * unsure:
        raise EnvlabError(
            f"with the resistor the board releases in {1e3 * quick_s:.4g} ms, without in {1e3 * slow_s:.4g} "
            "ms, which is too much alike to tell R from C; check that the resistor lay across the hold "
            "capacitor"
        )
    # All in logarithms: ln C = −ln Rx − ln(1/τ' − 1/τ). A tolerance is even between its ends.
    resistor = 0.01 * known_percent / math.sqrt(3)
    of_quick, of_slow = 1 / quick_s / drawn, -1 / slow_s / drawn
    farad = 1 / (known_ohm * drawn)
    attack_s, attack = _mean(first, second, "attack_s")
    capacitor = np.array([-1.0, of_quick, of_slow, 0.0]) * (resistor, quick, slow, attack)
    own = np.array([0.0, 0.0, 1.0, 0.0]) * (resistor, quick, slow, attack)
    charge = np.array([0.0, 0.0, 0.0, 1.0]) * (resistor, quick, slow, attack)
    return PartsAlone(
        _interval(farad, capacitor),
        _interval(attack_s / farad, charge - capacitor),
        _interval(slow_s / farad, own - capacitor),
        known_ohm,
    )


def _deviation(board: FittedBoard, name: str) -> float:
    """Of the number's logarithm, as far as an interval of 95 % says it."""
    one = board.intervals[name]
    return math.log(one.high / one.low) / 2 / _NORMAL_95


def _mean(first: FittedBoard, second: FittedBoard, name: str) -> tuple[float, float]:
    """(mean, deviation of its logarithm) of what both captures say, each as sure as it is."""
    sure = np.array([1 / _deviation(one, name) ** 2 for one in (first, second)])
    logs = np.log([getattr(one.values, name) for one in (first, second)])
    return float(np.exp((sure * logs).sum() / sure.sum())), float(1 / math.sqrt(sure.sum()))


def _interval(value: float, parts: np.ndarray) -> Interval:
    half = _NORMAL_95 * float(np.linalg.norm(parts))
    return Interval(value, value * math.exp(-half), value * math.exp(half))
