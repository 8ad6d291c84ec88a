"""The ideal rectifier, limit of all others; or a passive diode behind an ideal fold.

The ideal one loses nothing and is always in time; what amplifiers on a single supply make of it, the files
beside this one say. A passive diode loses its drop; diode and hold capacitor are then one
circuit, solved together (diodes/passive.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from envlab.analog.diodes.diode import (
    DATA_SHEET_C,
    DIODE_CLASSES,
    DIODE_VALUES,
    Diode,
    drop_moved,
    stated_diode,
)
from envlab.analog.stage import Advanced, AnalogStage, Surroundings, part
from envlab.errors import ParameterError, check_choice, check_positive, check_range
from envlab.units import FloatArray

REFERENCES = ("node", "bias", "coupled")


@dataclass(frozen=True)
class Rectifier(AnalogStage):
    """Half or full wave, ideal or by a passive diode.

    Parameters
    ----------
    kind : str
        "half" passes what lies above the reference; "full" folds the lower half up.
    reference_node_v : float
        Voltage of the reference node against the ADC's ground, 0 to 30 V. The hold capacitor and the release
        resistor stand on it: 0 is ground, the bias voltage if they hang on the bias.
    reference : str
        "node" the signal rests at the reference node's voltage; "bias" it rests at the preamp's bias while
        the reference node is at reference_node_v, so that the bias itself is held; "coupled" it comes through
        coupling_farad, and return_ohm leads the diode's mean current back to the reference node (passive half
        wave only).
    diode : str
        "none" is the ideal rectifier; "silicon", "schottky" or "germanium" a passive diode.
    diodes_in_path : int
        1, or 2 for a bridge.
    temperature_c : float
        Of the diode, −60 to 125 °C.
    saturation_a, emission, series_ohm, bandgap_ev, leakage_ohm : float or None
        Of the diode's data sheet; None: typical of its class.
    coupling_farad, return_ohm : float or None
        For "coupled"; return_ohm None: there is no way back.
    output_current_a : float or None
        Most that the amplifier before the detector gives; None: more than is asked.

    Examples
    --------
    >>> from envlab import Rectifier
    >>> Rectifier(kind="half", diode="schottky").scales_with_level
    False
    """

    kind: str = "full"
    reference_node_v: float = 0.0
    reference: str = "node"
    diode: str = "none"
    diodes_in_path: int = 1
    temperature_c: float = DATA_SHEET_C
    saturation_a: float | None = None
    emission: float | None = None
    series_ohm: float | None = None
    bandgap_ev: float | None = None
    leakage_ohm: float | None = None
    coupling_farad: float | None = field(
        default=None, metadata=part("C10", 10, "couples the signal to the diode")
    )
    return_ohm: float | None = field(
        default=None, metadata=part("R15", 5, "leads the diode's mean current back")
    )
    output_current_a: float | None = None

    def __post_init__(self) -> None:
        check_choice("kind", self.kind, ("half", "full"))
        check_range("reference_node_v", self.reference_node_v, 0, 30, unit="V")
        check_choice("reference", self.reference, REFERENCES)
        check_choice("diode", self.diode, ("none", *DIODE_CLASSES))
        if self.diodes_in_path not in (1, 2):
            raise ParameterError("diodes_in_path", self.diodes_in_path, "1, or 2 for a bridge")
        check_range("temperature_c", self.temperature_c, -60, 125, unit="°C")
        if self.coupling_farad is not None:
            check_range("coupling_farad", self.coupling_farad, 1e-12, 1, unit="F")
        if self.return_ohm is not None:
            check_range("return_ohm", self.return_ohm, 1, 1e9, unit="ohm")
        if self.output_current_a is not None:
            check_positive("output_current_a", self.output_current_a, unit="A")
        self._check_coupling()
        if self.passive_diode is None and self._stated_of_diode():
            raise ParameterError("diode", self.diode, f"a class, as {self._stated_of_diode()[0]} is given")

    def _check_coupling(self) -> None:
        if self.reference == "coupled":
            if self.coupling_farad is None:
                raise ParameterError("coupling_farad", None, 'given for reference "coupled"')
            if self.diode == "none" or self.kind == "full":
                limit = 'of a passive half wave (kind "half" and a diode)'
                raise ParameterError("reference", self.reference, limit)
        elif self.coupling_farad is not None:
            raise ParameterError("reference", self.reference, '"coupled", as coupling_farad is given')

    def _stated_of_diode(self) -> list[str]:
        return [name for name in DIODE_VALUES if getattr(self, name) is not None]

    @property
    def topology(self) -> str:
        """What a design file calls it."""
        if self.diode == "none":
            return "ideal"
        return "passive_half_wave" if self.kind == "half" else "passive_full_wave"

    def as_built(self, bias_v: float, supply_v: float) -> Rectifier:
        """Return itself: nothing of it depends on the supply."""
        del bias_v, supply_v
        return self

    @property
    def passive_diode(self) -> Diode | None:
        """The diode in the way, at its temperature; None if the rectifier is a precision one."""
        if self.diode == "none":
            return None
        return stated_diode(self.diode, vars(self), self.temperature_c)

    @property
    def diode_part(self) -> Diode | None:
        """The same, as rectifiers of other topologies call it."""
        return self.passive_diode

    @property
    def scales_with_level(self) -> bool:
        """Whether twice the signal gives twice the envelope: ideal, on its node, no limit."""
        return self.diode == "none" and self.reference == "node" and self.output_current_a is None

    def moved_at(self, temperature_c: float) -> tuple[str, ...]:
        """Return what another temperature does to a passive diode, in a clause; nothing without one.

        Parameters
        ----------
        temperature_c : float
            −60 to 125 °C.
        """
        now = self.passive_diode
        return () if now is None else drop_moved(now, temperature_c)

    def quiescent_rectified_v(self, bias_v: float, resting_v: float = 0.0) -> float:
        """Return what is offered to the detector at silence, V above the reference node.

        resting_v: where the signal rests, V round bias_v.
        """
        return float(rectify(np.array([resting_v]), self, bias_v=bias_v)[0])

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return one block of the rectified voltage, V above the reference node."""
        return Advanced(rectify(signal, self, bias_v=around.bias_v), state)


def rectify(signal_v: FloatArray, rectifier: Rectifier, *, bias_v: float = 0.0) -> FloatArray:
    """Return what a rectifier offers to the detector or its diode, V above the reference node.

    Never negative from an ideal rectifier; a passive half wave is offered the wave as it is, for what lies
    below draws leakage.

    Parameters
    ----------
    signal_v : ndarray of float
        Shape (n,), V, the preamp's output round its bias.
    rectifier : Rectifier
        What folds or cuts the wave.
    bias_v : float
        The preamp's bias, V against ground.

    Returns
    -------
    ndarray of float
        Shape (n,), V above the reference node.

    Examples
    --------
    >>> import numpy as np
    >>> from envlab import Rectifier, rectify
    >>> rectify(np.array([-1.0, 0.5]), Rectifier(kind="half"))
    array([0. , 0.5])
    >>> rectify(np.array([-1.0, 0.5]), Rectifier(kind="full"))
    array([1. , 0.5])
    """
    if rectifier.kind == "full":
        folded = np.abs(signal_v)
    elif rectifier.diode == "none":
        folded = np.maximum(signal_v, 0.0)
    else:
        folded = signal_v
    return _above_reference_node(folded, rectifier, bias_v)


def _above_reference_node(folded: FloatArray, rectifier: Rectifier, bias_v: float) -> FloatArray:
    if rectifier.reference != "bias":
        return folded
    offered = (bias_v - rectifier.reference_node_v) + folded
    return np.maximum(offered, 0.0) if rectifier.diode == "none" else offered
