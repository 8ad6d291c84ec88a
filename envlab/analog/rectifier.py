"""Rectifier: precision, or a passive diode; and what it is referred to on a single supply.

A precision rectifier closes an amplifier's loop round its diodes, so that no voltage is lost in them. A
passive diode loses its drop; diode and hold capacitor are then one circuit, solved together (passive.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from envlab.analog.diodes.diode import DATA_SHEET_C, DIODE_CLASSES, Diode, diode_of
from envlab.analog.stage import Advanced, AnalogStage, Surroundings, part
from envlab.errors import ParameterError, check_choice, check_positive, check_range
from envlab.units import FloatArray

REFERENCES = ("node", "bias", "coupled")


@dataclass(frozen=True)
class Rectifier(AnalogStage):
    """Half or full wave, precision or passive.

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
        "none" is a precision rectifier; "silicon", "schottky" or "germanium" a passive diode.
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
    gain_bandwidth_hz : float or None
        Of a precision rectifier's amplifier, which has to cross its own diodes' drop at each zero crossing
        and passes nothing meanwhile; None: at once.
    slew_v_per_s, amplifier_drop_v : float
        Of the same amplifier: how fast it crosses, V/s, and the drop that it has to cross, 0.01 to 2 V.

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
    gain_bandwidth_hz: float | None = None
    slew_v_per_s: float = 5e6
    amplifier_drop_v: float = 0.6

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
        if self.gain_bandwidth_hz is not None:
            check_range("gain_bandwidth_hz", self.gain_bandwidth_hz, 1e3, 10e9, unit="Hz")
            if self.diode != "none":
                limit = "left out with a passive diode, which has no amplifier round it"
                raise ParameterError("gain_bandwidth_hz", self.gain_bandwidth_hz, limit)
        check_positive("slew_v_per_s", self.slew_v_per_s, unit="V/s")
        check_range("amplifier_drop_v", self.amplifier_drop_v, 0.01, 2, unit="V")
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
        names = ("saturation_a", "emission", "series_ohm", "bandgap_ev", "leakage_ohm")
        return [name for name in names if getattr(self, name) is not None]

    @property
    def passive_diode(self) -> Diode | None:
        """The diode in the way, at its temperature; None if the rectifier is a precision one."""
        if self.diode == "none":
            return None
        typical = diode_of(self.diode)

        def given(stated: float | None, otherwise: float) -> float:
            return otherwise if stated is None else stated

        return Diode(
            given(self.saturation_a, typical.saturation_a),
            given(self.emission, typical.emission),
            given(self.series_ohm, typical.series_ohm),
            given(self.bandgap_ev, typical.bandgap_ev),
            given(self.leakage_ohm, typical.leakage_ohm),
            self.temperature_c,
        )

    @property
    def scales_with_level(self) -> bool:
        """Whether twice the signal gives twice the envelope: precision, at once, on its node, no limit."""
        quick = self.diode == "none" and self.gain_bandwidth_hz is None
        return quick and self.reference == "node" and self.output_current_a is None

    def quiescent_rectified_v(self, bias_v: float, resting_v: float = 0.0) -> float:
        """Return what is offered to the detector at silence, V above the reference node.

        resting_v: where the signal rests, V round bias_v.
        """
        return float(rectify(np.array([resting_v]), self, bias_v=bias_v)[0])

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return one block of the rectified voltage, V above the reference node."""
        rectified_v, end = rectify_in_time(
            signal,
            self,
            sample_rate_hz=around.sample_rate_hz,
            bias_v=around.bias_v,
            resting_v=around.resting_v,
            state=state,
        )
        return Advanced(rectified_v, end)

    def roughly(self, sample_rate_hz: float) -> tuple[AnalogStage, ...]:
        """At once: at such a rate its amplifier's own speed means nothing."""
        del sample_rate_hz
        return (replace(self, gain_bandwidth_hz=None),)


def rectify(signal_v: FloatArray, rectifier: Rectifier, *, bias_v: float = 0.0) -> FloatArray:
    """Return what a rectifier offers to the detector or its diode, V above the reference node.

    Never negative from a precision rectifier; a passive half wave is offered the wave as it is, for what lies
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


# Outputs of the amplifiers of both half waves and the last input, V; None: at rest.
AmplifierState = tuple[float, float, float]


def rectify_in_time(
    signal_v: FloatArray,
    rectifier: Rectifier,
    *,
    sample_rate_hz: float,
    bias_v: float = 0.0,
    resting_v: float = 0.0,
    state: AmplifierState | None = None,
) -> tuple[FloatArray, AmplifierState]:
    """Return (drive_v, end state) as rectify, through amplifiers that take their time.

    Without a state the amplifiers have long followed resting_v, V round bias_v.

    Of each half wave: da/dt = 2π·GBW·(s − out), at most the slew rate; out = a − drop while a is above the
    drop, else nothing; a second diode holds a at −drop. A rectifier without gain_bandwidth_hz is at once.
    """
    from envlab.analog.kernels import board_kernels

    drop_v = rectifier.amplifier_drop_v
    upper_v = drop_v + resting_v if resting_v > 0 else -drop_v
    lower_v = drop_v - resting_v if resting_v < 0 and rectifier.kind == "full" else -drop_v
    rest = (upper_v, lower_v, resting_v)
    if rectifier.gain_bandwidth_hz is None:
        return rectify(signal_v, rectifier, bias_v=bias_v), state or rest
    folded, end = board_kernels.cross_diodes(
        signal_v,
        2 * np.pi * rectifier.gain_bandwidth_hz / sample_rate_hz,
        rectifier.slew_v_per_s / sample_rate_hz,
        rectifier.amplifier_drop_v,
        rectifier.kind == "full",
        np.array(state or rest),
    )
    return _above_reference_node(folded, rectifier, bias_v), (float(end[0]), float(end[1]), float(end[2]))


def _above_reference_node(folded: FloatArray, rectifier: Rectifier, bias_v: float) -> FloatArray:
    if rectifier.reference != "bias":
        return folded
    offered = (bias_v - rectifier.reference_node_v) + folded
    return np.maximum(offered, 0.0) if rectifier.diode == "none" else offered
