"""What is fitted of a board: the numbers by which it may differ from its design."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from envlab.analog.detector import AverageDetector, Detector, PeakDetector
from envlab.chain import Chain
from envlab.units import FloatArray

# Ratios and times, which cannot be negative: fitted and compared as logarithms.
AS_LOGARITHM = frozenset({"gain", "low_gain", "high_gain", "attack_s", "release_s", "corner", "limit"})
_LEAST = 1e-9


@dataclass(frozen=True)
class BoardValues:
    """A board as a capture of it can be told from its design.

    Parameters
    ----------
    gain : float
        From the file to the rectifier at 1 kHz, over the design's; 1 is as designed.
    low_gain, high_gain : float
        The same at the low and the high tone of the bursts. By wire the low one is gain itself: what is less
        there, corner says.
    attack_s : float
        Ra·C, s; of an average detector R·C.
    release_s : float
        Rr·C, s; of an average detector the same R·C.
    offset_lsb : float
        Added to every reading, counts.
    drop_v : float
        Lost in the rectifier beyond the design's own loss, V: a dead zone, or a diode that drops more. Less
        than 0: the rectifier never comes down to its node.
    lean_v : float
        Rest of the signal before the rectifier off the middle, V: the preamp's own offset. Behind a full
        wave its sign cannot be seen.
    corner : float
        Low corners of the capacitors before the rectifier over the design's; 1 is as designed.
    limit : float
        Swing before the rectifier over the design's; 1 is as designed.
    half_wave : bool
        One half of the wave alone is rectified, in a design for both.
    delay_s : float
        When the file began, on the capture's clock, s.
    clock : float
        How much faster the capture's clock runs than the player's, as a share: 0.01 is 1 % fast.
    """

    gain: float
    low_gain: float
    high_gain: float
    attack_s: float
    release_s: float
    offset_lsb: float
    drop_v: float
    lean_v: float = 0.0
    corner: float = 1.0
    limit: float = 1.0
    half_wave: bool = False
    delay_s: float = 0.0
    clock: float = 0.0


class Played(Protocol):
    """Where what was played lies in a capture: delay_s and clock, as BoardValues has them."""

    @property
    def delay_s(self) -> float:
        """When the file began, s on a right clock."""

    @property
    def clock(self) -> float:
        """How much too fast the capture's clock runs, as a share."""


def file_times(times_s: FloatArray, where: Played) -> FloatArray:
    """Return when values of a capture stand in the file, s; times_s: on the capture's clock, any shape."""
    return np.asarray(times_s / (1 + where.clock) - where.delay_s)


def vector_of(values: BoardValues, names: Sequence[str]) -> FloatArray:
    """Return numbers of a board by name, shape (names,), in the units of their names (s, V, counts, share).

    Of those in AS_LOGARITHM it is the logarithm.
    """
    numbers = ((name, getattr(values, name)) for name in names)
    return np.array([math.log(max(v, _LEAST)) if name in AS_LOGARITHM else v for name, v in numbers])


def with_vector(values: BoardValues, names: Sequence[str], vector: FloatArray) -> BoardValues:
    """Return the board with other numbers; vector: shape (names,), s, V, counts, share as of vector_of."""
    changed: dict[str, Any] = {
        name: math.exp(number) if name in AS_LOGARITHM else float(number)
        for name, number in zip(names, vector, strict=True)
    }
    return replace(values, **changed)


def designed_values(chain: Chain) -> BoardValues:
    """Return the values of a board exactly as designed."""
    attack_s, release_s = time_constants(chain.detector_as_built)
    lean_v = chain.preamp.output_offset_v
    return BoardValues(1.0, 1.0, 1.0, attack_s, release_s, chain.adc.offset_lsb, 0.0, lean_v)


def time_constants(detector: Detector) -> tuple[float, float]:
    """Return (Ra·C, Rr·C), s; of an average detector R·C twice."""
    if isinstance(detector, AverageDetector):
        constant_s = detector.smoothing_ohm * detector.hold_farad
        return constant_s, constant_s
    return detector.attack_ohm * detector.hold_farad, detector.release_s


def detector_of(values: BoardValues, design: Detector) -> Detector:
    """Return a detector with the design's capacitor and a board's time constants.

    What lies outside the limits of a part is taken at its limit.
    """
    farad = design.hold_farad
    attack_ohm = min(max(values.attack_s / farad, 0.01), 100e6)
    if isinstance(design, AverageDetector):
        load = None if design.load_ohm is None else design.load_ohm * attack_ohm / design.smoothing_ohm
        return AverageDetector(attack_ohm, farad, load)
    return PeakDetector(attack_ohm, farad, min(max(values.release_s / farad, 1.0), 1e9))


def ratio_db(ratio: float) -> float:
    """Return a gain over the design's as dB; −200 dB for nothing."""
    return 20 * math.log10(max(abs(ratio), 1e-10))
