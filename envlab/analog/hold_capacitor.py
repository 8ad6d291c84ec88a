"""The hold capacitor as bought, and what hangs on it: which detector the board really has.

A capacitor is named by its nominal value. What it is at its working voltage and in the cold depends on what
it is made of; the metrics below are typical of each class, from memory, and a part's own data sheet goes
before them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from envlab.analog.adc import Adc
from envlab.analog.detector import Detector, PeakDetector, Readings, drawing, read_by
from envlab.errors import check_choice, check_range


@dataclass(frozen=True)
class CapacitorClass:
    """loss_at_rated: share lost at rated voltage, and as the square of it below. loss_at_minus_20: share lost
    at −20 °C against 25 °C, evenly in between. insulation_s: leakage resistance times capacitance."""

    loss_at_rated: float
    loss_at_minus_20: float
    insulation_s: float


# Typical, from memory.
CAPACITOR_CLASSES = {
    "ideal": CapacitorClass(0.0, 0.0, float("inf")),
    "film": CapacitorClass(0.0, 0.02, 10_000.0),
    "c0g": CapacitorClass(0.0, 0.002, 10_000.0),
    "x7r": CapacitorClass(0.60, 0.08, 500.0),
    "x5r": CapacitorClass(0.75, 0.12, 100.0),
    "y5v": CapacitorClass(0.90, 0.55, 100.0),
    "electrolytic": CapacitorClass(0.0, 0.20, 100.0),
    "tantalum": CapacitorClass(0.0, 0.06, 50.0),
}
_ROOM_C, _COLD_C = 25.0, -20.0
# Share of the voltage that a reading takes, up to which a steady current stands for the readings. The held
# voltage then errs by half of it, and nothing else knows of the readings.
STEADY_UP_TO = 5e-4
# Of its value, below which a part counts as not moved.
LEAST_MOVE = 1e-4


@dataclass(frozen=True)
class HoldCapacitor:
    """What the hold capacitor is made of and works at.

    Parameters
    ----------
    material : str
        One of CAPACITOR_CLASSES.
    rated_v : float
        1 to 1000 V.
    working_v : float
        Across it most of the time, 0 to rated_v.
    temperature_c : float
        −40 to 125 °C; above 25 °C nothing is gained or lost.
    """

    material: str = "ideal"
    rated_v: float = 16.0
    working_v: float = 1.0
    temperature_c: float = _ROOM_C

    def __post_init__(self) -> None:
        check_choice("material", self.material, tuple(CAPACITOR_CLASSES))
        check_range("rated_v", self.rated_v, 1, 1000, unit="V")
        check_range("working_v", self.working_v, 0, self.rated_v, unit="V")
        check_range("temperature_c", self.temperature_c, -40, 125, unit="°C")

    @property
    def share_left(self) -> float:
        """Capacitance over nominal, 0 to 1."""
        made_of = CAPACITOR_CLASSES[self.material]
        biased = 1 - made_of.loss_at_rated * (self.working_v / self.rated_v) ** 2
        cold = max(0.0, (_ROOM_C - self.temperature_c) / (_ROOM_C - _COLD_C))
        return biased * (1 - min(0.95, made_of.loss_at_minus_20 * cold))

    def moved_at(self, temperature_c: float) -> tuple[str, ...]:
        """Return what another temperature does to it, in a clause; nothing if nothing.

        Parameters
        ----------
        temperature_c : float
            −40 to 125 °C.
        """
        change = replace(self, temperature_c=temperature_c).share_left / self.share_left - 1
        if abs(change) < LEAST_MOVE:
            return ()
        side = "less" if change < 0 else "more"
        return (f"the hold capacitor has {abs(100 * change):.2g} % {side} capacitance",)


def as_built(
    detector: Detector, capacitor: HoldCapacitor, adc: Adc, reference_node_v: float = 0.0
) -> Detector:
    """Return the detector with the capacitance that is there and everything that loads it.

    Where a reading takes more than STEADY_UP_TO of the voltage, the detector knows of each (Readings).

    Capacitor leakage lies across it, beside the release resistor. ADC leakage and sampling charge lead to
    ground: what they take of the voltage held is a resistor beside it too, and what they take of the
    reference node's is a current that never ends. With an ideal capacitor behind a buffer it is the detector
    itself.

    Parameters
    ----------
    detector : Detector
        As bought.
    capacitor : HoldCapacitor
        What its capacitor is made of.
    adc : Adc
        What hangs on it.
    reference_node_v : float
        What the hold capacitor stands on, V against the ADC's ground, 0 to 30 V.
    """
    share = capacitor.share_left
    leak_s = detector.hold_farad / CAPACITOR_CLASSES[capacitor.material].insulation_s
    load_s = leak_s + adc.load_s
    if share == 1.0 and load_s == 0.0:
        return detector
    farad = share * detector.hold_farad
    drawn_a = adc.load_s * reference_node_v
    if isinstance(detector, PeakDetector):
        release_ohm = 1 / (1 / detector.release_ohm + load_s)
        mean = drawing(replace(detector, hold_farad=farad, release_ohm=release_ohm), drawn_a)
    else:
        own_s = 0.0 if detector.load_ohm is None else 1 / detector.load_ohm
        load_ohm = 1 / (own_s + load_s) if own_s + load_s else None
        mean = drawing(replace(detector, hold_farad=farad, load_ohm=load_ohm), drawn_a)
    taken = adc.taken_farad
    if taken <= STEADY_UP_TO * (farad + taken):
        return mean
    return read_by(mean, Readings(taken, adc.rate_hz, reference_node_v))
