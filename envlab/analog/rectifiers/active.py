"""What all rectifiers with amplifiers have in common: class of amplifier and diode, supply, reference node.

A resistor network of the rectifier is one field a resistor, so that boards differ in each of them: with
1 % resistors the common mode of a difference stage, the bias, comes through by up to 2 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

from envlab.analog.amplifier import Amplifier, amplifier_of, check_amplifier_values
from envlab.analog.diodes.diode import DATA_SHEET_C
from envlab.analog.rectifiers.both_halves import HoldingRectifier
from envlab.analog.rectifiers.half_waves import HalfWave, HalfWaves
from envlab.analog.stage import parts_of
from envlab.errors import ParameterError, check_range
from envlab.worked_out import WorksOut, worked_out_once


@dataclass(frozen=True)
class ActiveRectifier(WorksOut, HoldingRectifier):
    """Base of the rectifiers with amplifiers; all fold both half waves.

    Parameters
    ----------
    reference_node_v : float
        Voltage of the reference node against the ADC's ground, 0 to 30 V: hold capacitor and release resistor
        stand on it. Above 0 it comes from a divider and a follower of its own.
    amplifier : str
        Class of the amplifiers: "rail_to_rail", "fast_rail_to_rail", "single_supply", "general_purpose", or
        "data_sheet": each of the values below is given.
    gain_bandwidth_hz, slew_v_per_s, output_low_v, output_low_ohm, output_high_v : float or None
        Of the amplifiers' data sheet; None: typical of the class.
    output_high_ohm, input_low_v, input_high_v, offset_v, offset_drift_v_per_k : float or None
        The same. offset_v is the largest that the data sheet allows; what this board has is below.
    bias_current_a, noise_v_per_rthz : float or None
        The same. The noise is no part of the simulation; who asks for requirements gets it.
    diode : str
        "silicon", "schottky" or "germanium": the diodes in the amplifiers' loops.
    saturation_a, emission, series_ohm, bandgap_ev, leakage_ohm : float or None
        Of the diode's data sheet; None: typical of its class.
    temperature_c : float
        Of diodes and amplifiers, −60 to 125 °C.
    offset_u2a_v, offset_u2b_v, offset_u2c_v, offset_u2d_v : float
        Input offset that each amplifier has on this board, at 25 °C, −0.1 to 0.1 V.
    """

    # What each amplifier does, in order: U2A, U2B …
    amplifiers: ClassVar[tuple[str, ...]] = ()

    reference_node_v: float = 0.0
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
    diode: str = "silicon"
    saturation_a: float | None = None
    emission: float | None = None
    series_ohm: float | None = None
    bandgap_ev: float | None = None
    leakage_ohm: float | None = None
    temperature_c: float = DATA_SHEET_C
    offset_u2a_v: float = 0.0
    offset_u2b_v: float = 0.0
    offset_u2c_v: float = 0.0
    offset_u2d_v: float = 0.0

    def __post_init__(self) -> None:
        self.check_node_and_diode()
        for name in ("offset_u2a_v", "offset_u2b_v", "offset_u2c_v", "offset_u2d_v"):
            check_range(name, getattr(self, name), -0.1, 0.1, unit="V")
        check_amplifier_values(vars(self))
        for name, one in parts_of(type(self)).items():
            if one.reference.startswith("R"):
                check_range(name, getattr(self, name), 100, 10e6, unit="ohm")
        _ = self.amplifier_part

    @worked_out_once
    def amplifier_part(self) -> Amplifier:
        """One of its amplifiers, as its data sheet has it."""
        return amplifier_of(self.amplifier, vars(self))

    @property
    def fitted_amplifiers(self) -> tuple[str, ...]:
        """What each amplifier does that is on the board, in order, U2A …: without one that is left out."""
        return self.amplifiers

    def offset_now_v(self, amplifier: str) -> float:
        """Return the offset of an amplifier, "u2a" to "u2d", at temperature_c, V; 0 if it is left out."""
        if ord(amplifier[-1]) - ord("a") >= len(self.fitted_amplifiers):
            return 0.0
        at_25c = float(getattr(self, f"offset_{amplifier}_v"))
        return at_25c + self.amplifier_part.offset_drift_v_per_k * (self.temperature_c - DATA_SHEET_C)

    def resting_inputs_v(self, bias_v: float) -> dict[str, float]:
        """Return what amplifiers' inputs rest at in silence, V against ground, by what they belong to.

        Parameters
        ----------
        bias_v
            What the signal rests at, V against ground.
        """
        del bias_v
        return {"reference node": self.reference_node_v}

    def as_built(self, bias_v: float, supply_v: float) -> HalfWaves:
        """Return what it does on a board.

        Parameters
        ----------
        bias_v
            What the signal rests at, V against ground.
        supply_v
            Of its amplifiers, V.

        Raises
        ------
        ParameterError
            On a supply, bias or reference node that it cannot work on.
        """
        raise NotImplementedError

    def held_from(
        self, bias_v: float, supply_v: float, upper: HalfWave, lower: HalfWave, *, joined: bool
    ) -> HalfWaves:
        """Return the record of two half waves before amplifiers with a diode in their loop.

        joined: as HalfWaves.
        """
        part, diode, node_v = self.amplifier_part, self.diode_part, self.reference_node_v
        self._check_supply(bias_v, supply_v)
        return HalfWaves(
            topology=self.topology,
            reference_node_v=node_v,
            upper=upper,
            lower=lower,
            joined=joined,
            only_gives=True,
            gain_bandwidth_hz=part.gain_bandwidth_hz,
            slew_v_per_s=part.slew_v_per_s,
            output_low_v=part.output_low_v - node_v,
            output_high_v=supply_v - part.output_high_v - node_v,
            diode_slope_v=diode.slope_v,
            saturation_a=diode.saturation_now_a,
            leakage_ohm=diode.leakage_ohm,
            series_ohm=diode.series_ohm + part.output_high_ohm,
            drawn_a=part.bias_current_a * (1 if joined else 2),
        )

    def _check_supply(self, bias_v: float, supply_v: float) -> None:
        part, node_v = self.amplifier_part, self.reference_node_v
        if not math.isfinite(supply_v):
            raise ParameterError("supply_v", supply_v, f"known to {self.topology}, whose amplifiers it feeds")
        if 0 < node_v < part.output_low_v:
            limit = f"0, which is ground, or at least output_low_v ({part.output_low_v:g} V)"
            raise ParameterError("reference_node_v", node_v, f"{limit}: its follower comes no lower")
        for what, rests_v in self.resting_inputs_v(bias_v).items():
            self._check_input(rests_v, what, supply_v)
        # A diode that hardly conducts, a tenth of a volt to tell sound from silence.
        least_v = node_v + part.output_high_v + self.diode_part.drop_v(_HARDLY_A) + _LEAST_SWING_V
        if supply_v < least_v:
            limit = (
                f"at least {least_v:.2f} V for {self.topology}: reference_node_v {node_v:g} V, drop of the"
                f" diode and output_high_v {part.output_high_v:g} V; or an amplifier that goes nearer to it"
            )
            raise ParameterError("supply_v", supply_v, limit)

    def _check_input(self, input_v: float, what: str, supply_v: float) -> None:
        part = self.amplifier_part
        if input_v < part.input_low_v:
            limit = f"at most {input_v:g} V, where the {what} lies: take an amplifier whose input reaches it"
            raise ParameterError("input_low_v", part.input_low_v, limit)
        if input_v > supply_v - part.input_high_v:
            limit = (
                f"at most {supply_v - input_v:.3g} V below the supply of {supply_v:g} V, as the {what} is at"
                f" {input_v:g} V: take an amplifier whose input reaches it"
            )
            raise ParameterError("input_high_v", part.input_high_v, limit)


# Current at which a diode's drop is taken where it hardly conducts, and the least that must be left to swing.
_HARDLY_A = 1e-6
_LEAST_SWING_V = 0.1


# What stands between an output that can sink and the attack resistor.
BLOCKING = ("super_diode", "none")


@dataclass(frozen=True)
class Difference:
    """A difference stage of four resistors: how its output follows both inputs.

    through, back: gain of the + and the − input, both counted from the reference node. network_ohm: from the
    − input's source to the output, through which the lowest output sinks current.
    """

    through: float
    back: float
    network_ohm: float

    def offset_gain(self) -> float:
        """Return what the amplifier's own offset is multiplied by."""
        return 1 + self.back

    def common_v(self, above_node_v: float) -> float:
        """Return what a voltage common to both inputs makes of itself, V above the reference node."""
        return (self.through - self.back) * above_node_v


def difference(plus_ohm: float, reference_ohm: float, minus_ohm: float, feedback_ohm: float) -> Difference:
    """Return the stage whose + input has plus_ohm to its source and reference_ohm to the reference node.

    Parameters
    ----------
    plus_ohm, reference_ohm, minus_ohm, feedback_ohm
        Ω, above 0; minus_ohm leads from its source to the − input, feedback_ohm from there to the output.

    Examples
    --------
    >>> from envlab.analog.rectifiers.active import difference
    >>> stage = difference(47e3, 47e3, 47e3, 47e3)
    >>> stage.through, stage.back
    (1.0, 1.0)
    """
    back = feedback_ohm / minus_ohm
    through = reference_ohm / (plus_ohm + reference_ohm) * (1 + back)
    return Difference(through, back, minus_ohm + feedback_ohm)


def lowest_output_v(part: Amplifier, fed_from_v: float, network_ohm: float) -> float:
    """Return the lowest output above ground, V, into which a network leads current from a voltage."""
    share = part.output_low_ohm / network_ohm
    return (part.output_low_v + share * fed_from_v) / (1 + share)
