"""Voltage doubler and bridge: diodes behind coupling capacitors, without a level shift and without ground.

A coupling capacitor needs no amplifier to bring a signal from the bias onto the reference node: its diode
does, and gives the half wave that it takes to the other one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import ClassVar

from envlab.analog.amplifier import Amplifier, amplifier_of, check_amplifier_values
from envlab.analog.diodes.diode import DATA_SHEET_C
from envlab.analog.rectifiers.both_halves import FoldsBoth, HoldingRectifier
from envlab.analog.stage import part
from envlab.errors import ParameterError, check_range


@dataclass(frozen=True)
class PumpEnd:
    """One coupling capacitor: gain of the signal that it is fed with, and how far that goes, V.

    least_ohm, most_ohm: what each ampere into the lowest and out of the highest output takes of that.
    """

    gain: float
    coupling_farad: float
    least_v: float = -math.inf
    most_v: float = math.inf
    least_ohm: float = 0.0
    most_ohm: float = 0.0


@dataclass(frozen=True)
class Pump(FoldsBoth):
    """A doubler or bridge on its board; volts above the reference node, part of diode_slope_v is n·V_T.

    topology: as a design file calls it. ends: one coupling capacitor each. diode_slope_v, saturation_a,
    series_ohm, leakage_ohm: of each diode, at its temperature.
    """

    topology: str
    reference_node_v: float
    ends: tuple[PumpEnd, ...]
    diode_slope_v: float
    saturation_a: float
    series_ohm: float
    leakage_ohm: float

    def quiescent_rectified_v(self, bias_v: float = 0.0, resting_v: float = 0.0) -> float:
        """Return what is offered at silence: 0 V above the reference node, whatever the signal rests at."""
        del bias_v, resting_v
        return 0.0


@dataclass(frozen=True)
class PumpRectifier(HoldingRectifier):
    """Base of doubler and bridge.

    Parameters
    ----------
    reference_node_v : float
        Voltage of the reference node against the ADC's ground, 0 to 30 V.
    diode : str
        "silicon", "schottky" or "germanium".
    saturation_a, emission, series_ohm, bandgap_ev, leakage_ohm : float or None
        Of the diode's data sheet; None: typical of its class.
    temperature_c : float
        Of the diodes, −60 to 125 °C.
    coupling_farad : float
        Through which the signal comes, 1 pF to 1 F.
    """

    reference_node_v: float = 0.0
    diode: str = "schottky"
    saturation_a: float | None = None
    emission: float | None = None
    series_ohm: float | None = None
    bandgap_ev: float | None = None
    leakage_ohm: float | None = None
    temperature_c: float = DATA_SHEET_C
    coupling_farad: float = field(default=1e-6, metadata=part("C10", 10, "couples the signal to the diodes"))

    def __post_init__(self) -> None:
        self.check_node_and_diode()
        check_range("coupling_farad", self.coupling_farad, 1e-12, 1, unit="F")

    def ends(self, bias_v: float, supply_v: float) -> tuple[PumpEnd, ...]:
        """Return its coupling capacitors on a board, V against ground."""
        raise NotImplementedError

    def as_built(self, bias_v: float, supply_v: float) -> Pump:
        """Return what it does on a board; bias_v, supply_v: V against ground."""
        diode = self.diode_part
        return Pump(
            self.topology,
            self.reference_node_v,
            self.ends(bias_v, supply_v),
            diode.slope_v,
            diode.saturation_now_a,
            diode.series_ohm,
            diode.leakage_ohm,
        )


@dataclass(frozen=True)
class VoltageDoubler(PumpRectifier):
    """C10, a diode from the reference node and a diode to the attack resistor: the sum of both peaks.

    The textbook's half-wave doubler [HorowitzHill2015]. The lower half wave charges C10, the upper one passes
    both on; two drops are lost of it. No DC return is needed, D1 is one. What flows into the hold capacitor
    comes out of C10: with one that is not much larger it takes several cycles to get there.

    Examples
    --------
    >>> from envlab.analog.rectifiers.pumps import VoltageDoubler
    >>> VoltageDoubler(diode="silicon").as_built(1.65, 3.3).ends[0].gain
    1.0
    """

    topology: ClassVar[str] = "voltage_doubler"

    def ends(self, bias_v: float, supply_v: float) -> tuple[PumpEnd, ...]:
        """Return the one coupling capacitor."""
        del bias_v, supply_v
        return (PumpEnd(1.0, self.coupling_farad),)


@dataclass(frozen=True)
class Bridge(PumpRectifier):
    """A bridge of four diodes driven from both ends: by the signal, and by an inverter round the bias.

    Both ends come through coupling capacitors, so that the bridge's minus can be the reference node. It
    settles near twice the peak less two drops, at every half wave [HorowitzHill2015].

    Parameters
    ----------
    other_coupling_farad : float
        Through which the inverter's end comes, 1 pF to 1 F.
    inverter_input_ohm, inverter_feedback_ohm : float
        Round the inverter U2A, 100 Ω to 10 MΩ.
    amplifier : str
        Class of the inverter: "rail_to_rail", "fast_rail_to_rail", "single_supply", "general_purpose", or
        "data_sheet": each of the values below is given.
    gain_bandwidth_hz, slew_v_per_s, output_low_v, output_low_ohm, output_high_v : float or None
        Of the inverter's data sheet; None: typical of the class.
    output_high_ohm, input_low_v, input_high_v, offset_v, offset_drift_v_per_k : float or None
        The same.
    bias_current_a, noise_v_per_rthz : float or None
        The same.

    Examples
    --------
    >>> from envlab.analog.rectifiers.pumps import Bridge
    >>> [end.gain for end in Bridge().as_built(1.65, 3.3).ends]
    [1.0, -1.0]
    """

    topology: ClassVar[str] = "bridge"
    # What each amplifier does, in order: U2A …
    amplifiers: ClassVar[tuple[str, ...]] = ("inverter of the other end",)

    other_coupling_farad: float = field(
        default=1e-6, metadata=part("C11", 10, "couples the inverted signal to the diodes")
    )
    inverter_input_ohm: float = field(default=47e3, metadata=part("R20", 1, "inverts the other end"))
    inverter_feedback_ohm: float = field(default=47e3, metadata=part("R21", 1, "inverts the other end"))
    amplifier: str = "rail_to_rail"
    gain_bandwidth_hz: float | None = None
    slew_v_per_s: float | None = None
    output_low_v: float | None = None
    output_low_ohm: float | None = None
    output_high_v: float | None = None
    output_high_ohm: float | None = None
    input_low_v: float | None = None
    input_high_v: float | None = None
    offset_v: float | None = None
    offset_drift_v_per_k: float | None = None
    bias_current_a: float | None = None
    noise_v_per_rthz: float | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range("other_coupling_farad", self.other_coupling_farad, 1e-12, 1, unit="F")
        check_range("inverter_input_ohm", self.inverter_input_ohm, 100, 10e6, unit="ohm")
        check_range("inverter_feedback_ohm", self.inverter_feedback_ohm, 100, 10e6, unit="ohm")
        check_amplifier_values(vars(self))
        _ = self.amplifier_part

    @property
    def amplifier_part(self) -> Amplifier:
        """Its inverter, as its data sheet has it."""
        return amplifier_of(self.amplifier, vars(self))

    def ends(self, bias_v: float, supply_v: float) -> tuple[PumpEnd, ...]:
        """Return both coupling capacitors; the inverter's output ends near ground and supply.

        At its ends it also feeds its own resistors, round the bias.
        """
        inverter = self.amplifier_part
        low_v, high_v = inverter.output_low_v - bias_v, supply_v - inverter.output_high_v - bias_v
        if not low_v < 0 < high_v:
            limit = f"above {bias_v + inverter.output_high_v:g} V for {self.topology} with this amplifier"
            raise ParameterError("supply_v", supply_v, f"{limit}, whose inverter rests at the bias")
        back_ohm = self.inverter_feedback_ohm
        low_ohm, high_ohm = inverter.output_low_ohm, inverter.output_high_ohm
        other = PumpEnd(
            -back_ohm / self.inverter_input_ohm,
            self.other_coupling_farad,
            low_v / (1 + low_ohm / back_ohm),
            high_v / (1 + high_ohm / back_ohm),
            low_ohm,
            high_ohm,
        )
        return PumpEnd(1.0, self.coupling_farad), other
