"""Two difference stages and two super-diodes: the signal and its inverse, moved onto the reference node."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from envlab.analog.rectifiers.active import ActiveRectifier, Difference, difference, lowest_output_v
from envlab.analog.rectifiers.half_waves import HalfWave, HalfWaves
from envlab.analog.stage import part

_UPPER = "moves the upper half wave onto the reference node"
_LOWER = "turns the lower half wave over, onto the reference node"


@dataclass(frozen=True)
class DifferenceSuperdiodes(ActiveRectifier):
    """Two difference stages move signal and inverse from the bias onto the reference node; two super-diodes.

    U2A gives N + x, U2B gives N − x, U2C and U2D with their diodes hand the larger one to the attack
    resistor. Textbook circuits both, the difference amplifier and the precision rectifier whose diode stands
    inside the loop [HorowitzHill2015]. On ground it cannot come nearer to it than its output_low_v; with
    reference_node_v of 0.1 V and more it can.

    Parameters
    ----------
    upper_source_ohm, upper_reference_ohm, upper_bias_ohm, upper_feedback_ohm : float
        Round U2A: signal to + input, from there to the reference node; bias to − input, from there to the
        output. 100 Ω to 10 MΩ.
    lower_bias_ohm, lower_reference_ohm, lower_source_ohm, lower_feedback_ohm : float
        Round U2B: bias to + input, from there to the reference node; signal to − input, from there to the
        output. 100 Ω to 10 MΩ.

    Examples
    --------
    >>> from envlab.analog.rectifiers.difference_superdiodes import DifferenceSuperdiodes
    >>> built = DifferenceSuperdiodes().as_built(1.65, 3.3)
    >>> round(1e3 * built.upper.pedestal_v, 1)
    16.7
    """

    topology: ClassVar[str] = "difference_superdiodes"
    amplifiers: ClassVar[tuple[str, ...]] = (
        "difference stage of the upper half wave",
        "difference stage of the lower half wave",
        "super-diode of the upper half wave",
        "super-diode of the lower half wave",
    )

    upper_source_ohm: float = field(default=47e3, metadata=part("R20", 1, _UPPER))
    upper_reference_ohm: float = field(default=47e3, metadata=part("R21", 1, _UPPER))
    upper_bias_ohm: float = field(default=47e3, metadata=part("R22", 1, _UPPER))
    upper_feedback_ohm: float = field(default=47e3, metadata=part("R23", 1, _UPPER))
    lower_bias_ohm: float = field(default=47e3, metadata=part("R24", 1, _LOWER))
    lower_reference_ohm: float = field(default=47e3, metadata=part("R25", 1, _LOWER))
    lower_source_ohm: float = field(default=47e3, metadata=part("R26", 1, _LOWER))
    lower_feedback_ohm: float = field(default=47e3, metadata=part("R27", 1, _LOWER))

    def resting_inputs_v(self, bias_v: float) -> dict[str, float]:
        """Return what amplifiers' inputs rest at in silence, V against ground; bias_v as well."""
        return {
            "reference node": self.reference_node_v,
            "middle between bias and reference node": 0.5 * (bias_v + self.reference_node_v),
        }

    def as_built(self, bias_v: float, supply_v: float) -> HalfWaves:
        """Return what it does on a board; bias_v, supply_v: V against ground."""
        upper = difference(
            self.upper_source_ohm, self.upper_reference_ohm, self.upper_bias_ohm, self.upper_feedback_ohm
        )
        lower = difference(
            self.lower_bias_ohm, self.lower_reference_ohm, self.lower_source_ohm, self.lower_feedback_ohm
        )

        def half(stage: Difference, gain: float, own: str, diode: str) -> HalfWave:
            node_v, part_ = self.reference_node_v, self.amplifier_part
            own_v = stage.offset_gain() * self.offset_now_v(own)
            after_v = self.offset_now_v(diode)
            low_v = lowest_output_v(part_, bias_v, stage.network_ohm)
            return HalfWave(
                gain,
                stage.common_v(bias_v - node_v) + own_v + after_v,
                low_v - node_v + after_v,
                min(supply_v - part_.output_high_v, supply_v - part_.input_high_v) - node_v,
            )

        return self.held_from(
            bias_v,
            supply_v,
            half(upper, upper.through, "u2a", "u2c"),
            half(lower, lower.back, "u2b", "u2d"),
            joined=False,
        )
