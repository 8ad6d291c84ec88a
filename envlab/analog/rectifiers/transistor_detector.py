"""A transistor as detector: an emitter follower that charges the hold capacitor from the supply."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from envlab.analog.diodes.diode import Diode
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.stage import part
from envlab.errors import ParameterError, check_range

# Collector current 1e-14 A at no base-emitter voltage, slope 1: a small silicon transistor, from memory.
_SATURATION_A, _BASE_LEAKAGE_OHM, _EMITTER_OHM, _BANDGAP_EV = 1e-14, 1e10, 0.5, 1.11


@dataclass(frozen=True)
class TransistorDetector(Rectifier):
    """The base follows the signal, the emitter charges the hold capacitor, the collector hangs on the supply.

    The textbook's emitter follower with a capacitor for its load [HorowitzHill2015]: base and emitter are the
    diode of a passive half wave, but the signal gives the current over β only. Referred to the bias, the
    release resistor keeps a little current flowing: no signal is too small, and silence stands a drop below
    the bias.

    Parameters
    ----------
    kind : str
        "half": it only lifts.
    diode : str
        "silicon": base and emitter.
    current_gain : float
        β, 10 to 2000.
    base_ohm : float
        In series with the base, against oscillation; 0 to 1 MΩ.

    Examples
    --------
    >>> from envlab.analog.rectifiers.transistor_detector import TransistorDetector
    >>> detector = TransistorDetector()
    >>> detector.topology, detector.reference
    ('transistor_detector', 'bias')
    """

    kind: str = "half"
    reference: str = "bias"
    diode: str = "silicon"
    current_gain: float = 200.0
    base_ohm: float = field(default=1e3, metadata=part("R20", 5, "keeps the transistor from oscillating"))
    topology: ClassVar[str] = "transistor_detector"

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range("current_gain", self.current_gain, 10, 2000)
        check_range("base_ohm", self.base_ohm, 0, 1e6, unit="ohm")
        if self.series_ohm is not None:
            check_range("series_ohm", self.series_ohm, 0, 10e3, unit="ohm")
        if self.kind != "half" or self.diode != "silicon" or self.diodes_in_path != 1:
            name = "kind" if self.kind != "half" else "diode"
            limit = 'left as it is: a transistor_detector is a half wave through one "silicon" junction'
            raise ParameterError(name, getattr(self, name), limit)

    @property
    def passive_diode(self) -> Diode:
        """Base and emitter, and what the base's resistor is to the emitter's current."""
        seen_ohm = _EMITTER_OHM if self.series_ohm is None else self.series_ohm
        return Diode(
            _SATURATION_A if self.saturation_a is None else self.saturation_a,
            1.0 if self.emission is None else self.emission,
            seen_ohm + self.base_ohm / (1 + self.current_gain),
            _BANDGAP_EV if self.bandgap_ev is None else self.bandgap_ev,
            _BASE_LEAKAGE_OHM if self.leakage_ohm is None else self.leakage_ohm,
            self.temperature_c,
        )

    @property
    def diode_part(self) -> Diode:
        """Base and emitter alone."""
        own = self.passive_diode
        return Diode(
            own.saturation_a,
            own.emission,
            _EMITTER_OHM if self.series_ohm is None else self.series_ohm,
            own.bandgap_ev,
            own.leakage_ohm,
            own.temperature_c,
        )
