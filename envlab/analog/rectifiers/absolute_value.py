"""The two-diode absolute-value circuit on the bias, a difference stage and a super-diode that blocks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from envlab.analog.rectifiers.active import BLOCKING, ActiveRectifier, difference, lowest_output_v
from envlab.analog.rectifiers.half_waves import FirstAmplifier, HalfWave, HalfWaves
from envlab.analog.stage import part
from envlab.errors import check_choice

_HALF = "makes the half wave"
_SUM = "adds it to the signal"
_SHIFT = "moves the sum onto the reference node"
# Halvings after which the largest half wave is known to a nanovolt.
_HALVINGS = 32


@dataclass(frozen=True)
class AbsoluteValue(ActiveRectifier):
    """Half wave by an inverting amplifier with two diodes, added twice to the signal; then onto the node.

    U2A with D1 and D2 makes the half wave, U2B adds it up to bias + |x|, U2C moves that onto the reference
    node, U2D with D3 only gives. Half wave and sum are the textbook's absolute-value circuit
    [HorowitzHill2015]. U2A's output needs a drop more than the half wave itself, towards ground: large upper
    half waves are lost first.

    Parameters
    ----------
    half_input_ohm, half_feedback_ohm : float
        Round U2A, 100 Ω to 10 MΩ.
    sum_signal_ohm, sum_half_ohm, sum_feedback_ohm : float
        Round U2B: from the signal, from the half wave (half as much), feedback. 100 Ω to 10 MΩ.
    shift_source_ohm, shift_reference_ohm, shift_bias_ohm, shift_feedback_ohm : float
        Round U2C: sum to + input, from there to the reference node; bias to − input, feedback. 100 Ω to
        10 MΩ.

    blocking : str
        "super_diode", or "none": U2D is left out, and the amplifier before it takes from the hold capacitor
        what it gave, through the attack resistor. That is what an average detector wants and a peak detector
        must not have.

    Examples
    --------
    >>> from envlab.analog.rectifiers.absolute_value import AbsoluteValue
    >>> built = AbsoluteValue(0.15).as_built(1.65, 3.3)
    >>> built.upper.gain, built.lower.gain
    (1.0, 1.0)
    """

    topology: ClassVar[str] = "absolute_value"
    amplifiers: ClassVar[tuple[str, ...]] = (
        "inverting half wave with two diodes",
        "sum of half wave and signal",
        "difference stage",
        "super-diode",
    )

    half_input_ohm: float = field(default=20e3, metadata=part("R20", 1, _HALF))
    half_feedback_ohm: float = field(default=20e3, metadata=part("R21", 1, _HALF))
    sum_signal_ohm: float = field(default=20e3, metadata=part("R22", 1, _SUM))
    sum_half_ohm: float = field(default=10e3, metadata=part("R23", 1, _SUM))
    sum_feedback_ohm: float = field(default=20e3, metadata=part("R24", 1, _SUM))
    shift_source_ohm: float = field(default=47e3, metadata=part("R25", 1, _SHIFT))
    shift_reference_ohm: float = field(default=47e3, metadata=part("R26", 1, _SHIFT))
    shift_bias_ohm: float = field(default=47e3, metadata=part("R27", 1, _SHIFT))
    shift_feedback_ohm: float = field(default=47e3, metadata=part("R28", 1, _SHIFT))

    blocking: str = "super_diode"

    def __post_init__(self) -> None:
        super().__post_init__()
        check_choice("blocking", self.blocking, BLOCKING)

    def resting_inputs_v(self, bias_v: float) -> dict[str, float]:
        """Return what amplifiers' inputs rest at in silence, V against ground; bias_v as well."""
        return {
            "reference node": self.reference_node_v,
            "middle between bias and reference node": 0.5 * (bias_v + self.reference_node_v),
            "bias": bias_v,
        }

    @property
    def fitted_amplifiers(self) -> tuple[str, ...]:
        """What each amplifier does that is on the board; the last one may be left out."""
        return self.amplifiers if self.blocking == "super_diode" else self.amplifiers[:-1]

    def as_built(self, bias_v: float, supply_v: float) -> HalfWaves:
        """Return what it does on a board; bias_v, supply_v: V against ground."""
        node_v, part_ = self.reference_node_v, self.amplifier_part
        shift = difference(
            self.shift_source_ohm, self.shift_reference_ohm, self.shift_bias_ohm, self.shift_feedback_ohm
        )
        halved = self.half_feedback_ohm / self.half_input_ohm
        doubled = self.sum_feedback_ohm / self.sum_half_ohm
        plain = self.sum_feedback_ohm / self.sum_signal_ohm
        sum_offset_v = (1 + doubled + plain) * self.offset_now_v("u2b")
        moved_v = shift.common_v(bias_v - node_v) + shift.offset_gain() * self.offset_now_v("u2c")
        after_v = self.offset_now_v("u2d")
        low_v = lowest_output_v(part_, bias_v, shift.network_ohm) - node_v + after_v
        followed_v = part_.input_high_v if self.blocking == "super_diode" else 0.0
        top_v = supply_v - max(part_.output_high_v, followed_v) - node_v
        top_v = min(top_v, shift.through * (supply_v - part_.output_high_v - bias_v))

        def half(gain: float, first_offset_gain: float) -> HalfWave:
            made_v = sum_offset_v - doubled * first_offset_gain * self.offset_now_v("u2a")
            return HalfWave(shift.through * gain, shift.through * made_v + moved_v + after_v, low_v, top_v)

        after_ohm = self.half_feedback_ohm + self.sum_half_ohm
        first = FirstAmplifier(
            self.half_input_ohm,
            after_ohm / (self.half_input_ohm + after_ohm),
            self._largest_half_v(bias_v) / halved,
        )
        upper, lower = half(halved * doubled - plain, 1 + halved), half(plain, 1.0)
        built = self.held_from(bias_v, supply_v, upper, lower, joined=True)
        return replace(built, first=first, only_gives=self.blocking == "super_diode")

    def _largest_half_v(self, bias_v: float) -> float:
        """Return how far under the bias U2A takes the half wave, V.

        Its lowest output sinks what flows through R21 and R23, by way of D2's drop.
        """
        part_, diode = self.amplifier_part, self.diode_part
        through_s = 1 / self.half_feedback_ohm + 1 / self.sum_half_ohm
        low_v, high_v = 0.0, max(0.0, bias_v - part_.output_low_v)
        for _ in range(_HALVINGS):
            half_v = 0.5 * (low_v + high_v)
            sunk_a = half_v * through_s
            needed_v = half_v + diode.drop_v(sunk_a) + part_.lowest_v(sunk_a)
            low_v, high_v = (half_v, high_v) if needed_v <= bias_v else (low_v, half_v)
        return low_v
