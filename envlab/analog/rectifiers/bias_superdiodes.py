"""An inverter and two super-diodes, everything on the bias: nothing comes near ground."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from envlab.analog.rectifiers.active import ActiveRectifier
from envlab.analog.rectifiers.half_waves import HalfWave, HalfWaves
from envlab.analog.stage import part
from envlab.errors import ParameterError


@dataclass(frozen=True)
class BiasSuperdiodes(ActiveRectifier):
    """An inverter and two super-diodes; hold capacitor, release resistor and ADC rest at the bias.

    U2A inverts round the bias, U2B and U2C with their diodes hand the larger half wave to the attack resistor
    [HorowitzHill2015]. The reference node is the buffered bias: reference_node_v must be the preamp's
    bias_v. The ADC loses that much of its range, and each amplifier comes up from near ground, past the bias,
    before its diode conducts.

    Parameters
    ----------
    reference_node_v : float
        The bias, V against ground.
    inverter_input_ohm, inverter_feedback_ohm : float
        Round U2A, 100 Ω to 10 MΩ.

    Examples
    --------
    >>> from envlab.analog.rectifiers.bias_superdiodes import BiasSuperdiodes
    >>> built = BiasSuperdiodes().as_built(1.65, 3.3)
    >>> built.upper.gain, built.lower.gain, round(built.output_low_v, 3)
    (1.0, 1.0, -1.635)
    """

    topology: ClassVar[str] = "bias_superdiodes"
    amplifiers: ClassVar[tuple[str, ...]] = (
        "inverter of the lower half wave",
        "super-diode of the upper half wave",
        "super-diode of the lower half wave",
    )

    reference_node_v: float = 1.65
    inverter_input_ohm: float = field(default=47e3, metadata=part("R20", 1, "inverts the lower half wave"))
    inverter_feedback_ohm: float = field(default=47e3, metadata=part("R21", 1, "inverts the lower half wave"))

    def as_built(self, bias_v: float, supply_v: float) -> HalfWaves:
        """Return what it does on a board; bias_v, supply_v: V against ground."""
        node_v, part_ = self.reference_node_v, self.amplifier_part
        if abs(node_v - bias_v) > 1e-9:
            limit = f"the preamp's bias_v ({bias_v:g} V), on which {self.topology} stands"
            raise ParameterError("reference_node_v", node_v, limit)
        back = self.inverter_feedback_ohm / self.inverter_input_ohm
        followed_v = supply_v - part_.input_high_v - node_v
        upper = HalfWave(1.0, self.offset_now_v("u2b"), -node_v, followed_v)
        lower = HalfWave(
            back,
            (1 + back) * self.offset_now_v("u2a") + self.offset_now_v("u2c"),
            part_.output_low_v - node_v,
            min(followed_v, supply_v - part_.output_high_v - node_v),
        )
        return self.held_from(bias_v, supply_v, upper, lower, joined=False)
