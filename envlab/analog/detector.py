"""Envelope detectors: rectified volts in, a slowly moving voltage on a capacitor out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import NamedTuple

import numpy as np

from envlab.analog.sample_checks import sample_row
from envlab.analog.stage import part
from envlab.errors import ParameterError, check_range
from envlab.units import FloatArray

_HOLDS = part("C3", 20, "holds the envelope")


@dataclass(frozen=True)
class PeakDetector:
    """The rectifier charges hold_farad through attack_ohm; release_ohm lies across the capacitor.

    Parameters
    ----------
    attack_ohm : float
        0.01 Ω to 100 MΩ.
    hold_farad : float
        1 pF to 1 F.
    release_ohm : float
        1 Ω to 1 GΩ.

    Raises
    ------
    ParameterError
        For a value outside its limits.

    Examples
    --------
    >>> from envlab import PeakDetector
    >>> round(PeakDetector(attack_ohm=4.7e3, hold_farad=1e-6, release_ohm=470e3).release_s, 6)
    0.47
    """

    attack_ohm: float = field(metadata=part("R4", 5, "attack", "the hold capacitor charges through it"))
    hold_farad: float = field(metadata=_HOLDS)
    release_ohm: float = field(metadata=part("R5", 5, "release", "empties the hold capacitor"))

    def __post_init__(self) -> None:
        check_range("attack_ohm", self.attack_ohm, 0.01, 100e6, unit="ohm")
        check_range("hold_farad", self.hold_farad, 1e-12, 1, unit="F")
        check_range("release_ohm", self.release_ohm, 1, 1e9, unit="ohm")

    @property
    def slowest_s(self) -> float:
        """Longest time constant: the release."""
        return self.release_s

    @property
    def divider(self) -> float:
        """Share of a steady voltage that remains: release/(attack + release)."""
        return self.release_ohm / (self.attack_ohm + self.release_ohm)

    @property
    def charge_s(self) -> float:
        """Time constant while the diode conducts: hold_farad·(attack_ohm ∥ release_ohm)."""
        return self.hold_farad * self.attack_ohm * self.divider

    @property
    def release_s(self) -> float:
        """Time constant while it does not: hold_farad·release_ohm."""
        return self.hold_farad * self.release_ohm


@dataclass(frozen=True)
class AverageDetector:
    """The rectifier drives hold_farad through smoothing_ohm both up and down.

    Parameters
    ----------
    smoothing_ohm : float
        0.01 Ω to 100 MΩ.
    hold_farad : float
        1 pF to 1 F.
    load_ohm : float or None
        What lies across the capacitor, 1 Ω to 1 TΩ; None: nothing.

    Raises
    ------
    ParameterError
        For a value outside its limits.

    Examples
    --------
    >>> from envlab import AverageDetector
    >>> AverageDetector(smoothing_ohm=10e3, hold_farad=1e-6).smoothing_s
    0.01
    """

    smoothing_ohm: float = field(metadata=part("R6", 5, "smooths", "fills and empties the hold capacitor"))
    hold_farad: float = field(metadata=_HOLDS)
    load_ohm: float | None = field(
        default=None, metadata=part("R17", 5, "loads the hold capacitor", bought=False)
    )

    def __post_init__(self) -> None:
        check_range("smoothing_ohm", self.smoothing_ohm, 0.01, 100e6, unit="ohm")
        check_range("hold_farad", self.hold_farad, 1e-12, 1, unit="F")
        if self.load_ohm is not None:
            check_range("load_ohm", self.load_ohm, 1, 1e12, unit="ohm")

    @property
    def slowest_s(self) -> float:
        """Its only time constant."""
        return self.smoothing_s

    @property
    def divider(self) -> float:
        """Share of a steady voltage that remains: load/(smoothing + load)."""
        return 1.0 if self.load_ohm is None else self.load_ohm / (self.smoothing_ohm + self.load_ohm)

    @property
    def smoothing_s(self) -> float:
        """Time constant hold_farad·(smoothing_ohm ∥ load_ohm)."""
        return self.smoothing_ohm * self.hold_farad * self.divider


Detector = PeakDetector | AverageDetector


@dataclass(frozen=True)
class DrawnPeakDetector(PeakDetector):
    """A peak detector from whose hold capacitor drawn_a flows whatever voltage it has, A.

    No part of its own: what an unbuffered pin takes because the reference node stands above ground.
    """

    drawn_a: float = 0.0


@dataclass(frozen=True)
class DrawnAverageDetector(AverageDetector):
    """The same of an average detector; drawn_a: A."""

    drawn_a: float = 0.0


def drawing(detector: Detector, amperes: float) -> Detector:
    """Return the detector with a current that its hold capacitor gives besides, 0 A or more.

    Parameters
    ----------
    detector : Detector
        What holds the envelope.
    amperes : float
        0: it is the detector itself.
    """
    if amperes == 0:
        return detector
    own = {one.name: getattr(detector, one.name) for one in fields(detector)} | {"drawn_a": amperes}
    kind = DrawnAverageDetector if isinstance(detector, AverageDetector) else DrawnPeakDetector
    return kind(**own)


def drawn_a(detector: Detector) -> float:
    """Return the current that flows out of its hold capacitor whatever voltage that has, A.

    Parameters
    ----------
    detector : Detector
        As built.
    """
    return detector.drawn_a if isinstance(detector, DrawnPeakDetector | DrawnAverageDetector) else 0.0


@dataclass(frozen=True)
class Readings:
    """What an unbuffered pin takes at each reading: the charge of a sampling capacitor that comes empty.

    farad: of that capacitor, as far as it is filled, F. rate_hz: readings a second. node_v: what the hold
    capacitor stands on, V against the pin's ground.
    """

    farad: float
    rate_hz: float
    node_v: float = 0.0

    def left_v(self, held_v: float, hold_farad: float) -> float:
        """Return what is held once both capacitors have shared, V above the node; to ground v·C/(C + Cs)."""
        return (held_v + self.node_v) * (hold_farad / (hold_farad + self.farad)) - self.node_v


@dataclass(frozen=True)
class ReadPeakDetector(DrawnPeakDetector):
    """A peak detector that every reading takes charge from; release_ohm and drawn_a hold its mean."""

    readings: Readings | None = None


@dataclass(frozen=True)
class ReadAverageDetector(DrawnAverageDetector):
    """The same of an average detector; load_ohm and drawn_a hold the mean."""

    readings: Readings | None = None


def readings_of(detector: Detector) -> Readings | None:
    """Return what readings take from its hold capacitor one by one, or None: nothing, or a steady current.

    Parameters
    ----------
    detector : Detector
        As built.
    """
    return detector.readings if isinstance(detector, ReadPeakDetector | ReadAverageDetector) else None


def read_by(detector: Detector, readings: Readings) -> Detector:
    """Return the detector, in which the mean of the readings' charge is contained, read so.

    Parameters
    ----------
    detector : Detector
        With the conductance farad·rate_hz in its release or load, and node_v times it in drawn_a.
    readings : Readings
        What each reading takes.
    """
    own = {one.name: getattr(detector, one.name) for one in fields(detector)} | {"readings": readings}
    return ReadAverageDetector(**own) if isinstance(detector, AverageDetector) else ReadPeakDetector(**own)


def averaged(detector: Detector) -> Detector:
    """Return the detector from which the readings' charge flows as a steady current of the same mean.

    Parameters
    ----------
    detector : Detector
        As built.
    """
    if readings_of(detector) is None:
        return detector
    if isinstance(detector, AverageDetector):
        plain: Detector = AverageDetector(detector.smoothing_ohm, detector.hold_farad, detector.load_ohm)
    else:
        plain = PeakDetector(detector.attack_ohm, detector.hold_farad, detector.release_ohm)
    return drawing(plain, drawn_a(detector))


def between_readings(detector: Detector) -> Detector:
    """Return the detector as it is from one reading to the next.

    Parameters
    ----------
    detector : Detector
        As built.
    """
    readings, mean = readings_of(detector), averaged(detector)
    if readings is None:
        return detector
    taken_s = readings.farad * readings.rate_hz
    other_a = max(0.0, drawn_a(mean) - taken_s * readings.node_v)
    # What is left of the subtraction's rounding is no current.
    other_a = other_a if other_a > 1e-12 * drawn_a(mean) else 0.0
    if isinstance(mean, AverageDetector):
        load_s = (0.0 if mean.load_ohm is None else 1 / mean.load_ohm) - taken_s
        load_ohm = 1 / load_s if load_s > 1e-12 else None
        return drawing(AverageDetector(mean.smoothing_ohm, mean.hold_farad, load_ohm), other_a)
    release_ohm = min(1e9, 1 / (1 / mean.release_ohm - taken_s))
    return drawing(PeakDetector(mean.attack_ohm, mean.hold_farad, release_ohm), other_a)


class HoldStep(NamedTuple):
    """One interval of a detector: v ← max(bleed_keep·v, charge_keep·v + charge_gain·u)."""

    charge_keep: float
    charge_gain: float
    bleed_keep: float


def hold_step(detector: Detector, sample_rate_hz: float) -> HoldStep:
    """Return the step over one interval in which the drive u is constant.

    An average detector never lets go of its drive, so its bleed_keep is 0.
    """
    if isinstance(detector, AverageDetector):
        step = 1 / (sample_rate_hz * detector.smoothing_s)
        return HoldStep(math.exp(-step), -math.expm1(-step) * detector.divider, 0.0)
    charge = 1 / (sample_rate_hz * detector.charge_s)
    bleed = 1 / (sample_rate_hz * detector.release_s)
    return HoldStep(math.exp(-charge), -math.expm1(-charge) * detector.divider, math.exp(-bleed))


def hold_steps(detector: Detector, sample_rates_hz: FloatArray) -> FloatArray:
    """Return hold_step at many rates, shape (rates, 3): three shares of a voltage each."""
    period_s = 1 / np.asarray(sample_rates_hz, dtype=np.float64)
    if isinstance(detector, AverageDetector):
        step = period_s / detector.smoothing_s
        return np.stack((np.exp(-step), -np.expm1(-step) * detector.divider, np.zeros(step.size)), axis=-1)
    charge, bleed = period_s / detector.charge_s, period_s / detector.release_s
    return np.stack((np.exp(-charge), -np.expm1(-charge) * detector.divider, np.exp(-bleed)), axis=-1)


def detect(
    drive_v: FloatArray, detector: Detector, *, sample_rate_hz: float, start_v: float = 0.0
) -> tuple[FloatArray, float]:
    """Return the voltage that a hold capacitor has, above the rectifier's reference node.

    Each sample of the drive stands for the interval of one period round its instant. PeakDetector solves
    C·dv/dt = (u − v)/Ra − v/Rr while u > v, C·dv/dt = −v/Rr otherwise; AverageDetector solves C·dv/dt = (u −
    v)/R − v/load. Both are exact for a drive that is constant over the interval (peak: up to the interval in
    which the diode starts or stops conducting).

    Parameters
    ----------
    drive_v : ndarray of float
        Shape (n,), V, already rectified (≥ 0); no interpolation happens here.
    detector : Detector
        What holds the envelope.
    sample_rate_hz : float
        Samples a second, 1e-7 Hz to 1 GHz. The step is exact at any rate, and a legal capacitor may take 30
        years to empty (1 F and 1 GΩ): who looks for its rest takes steps of days.
    start_v : float
        Voltage before the first sample, 0 to 1000 V.

    Returns
    -------
    tuple
        held_v, shape (n,), V, sample n at time (n + ½)/sample_rate_hz; end_v, V, which fed back as start_v
        continues the run bit for bit.

    Raises
    ------
    ParameterError
        For a drive of another shape or not finite everywhere (the diode would take NaN for "off" and Inf
        would stick), for a rate or a start voltage that cannot be.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import PeakDetector, detect
    >>> held_v, end_v = detect(np.ones(480), PeakDetector(1e3, 1e-6, 100e3), sample_rate_hz=48_000.0)
    >>> round(end_v, 3)  # ten time constants of attack: 1 V over the divider of 1k and 100k
    0.99
    """
    from envlab.analog.kernels import stage_kernels as kernels

    check_range("sample_rate_hz", sample_rate_hz, 1e-7, 1e9, unit="Hz")
    check_range("start_v", start_v, 0, 1e3, unit="V")
    drive = sample_row("drive_v", drive_v)
    if not np.isfinite(drive).all():
        at = int(np.argmin(np.isfinite(drive)))
        raise ParameterError(f"drive_v[{at}]", float(drive[at]), "a finite number")
    held_v, end_v = kernels.hold(drive, *hold_step(detector, sample_rate_hz), start_v)
    return held_v, float(end_v)
