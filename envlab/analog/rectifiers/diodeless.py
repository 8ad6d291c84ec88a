"""Two amplifiers without diodes, coupled onto ground, where the first one's output stops; a super-diode."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import ClassVar

from envlab.analog.rectifiers.active import BLOCKING, ActiveRectifier, lowest_output_v
from envlab.analog.rectifiers.half_waves import HalfWave, HalfWaves
from envlab.analog.stage import part
from envlab.errors import ParameterError, check_choice, check_range


@dataclass(frozen=True)
class Diodeless(ActiveRectifier):
    """A follower that stops at ground makes the half wave, a second amplifier adds it; a super-diode blocks.

    The signal comes through C10 onto ground. U2A follows it down to its lowest output; U2B makes
    2·U2A − signal; U2C with D1 only gives, as U2B can sink. A single-supply circuit of application notes
    (known from memory). Twice the lowest output stands in silence, and the input goes below ground: the
    protecting resistor and the amplifier's own input limits have to bear that.

    Parameters
    ----------
    reference_node_v : float
        0: it stops at ground and nowhere else.
    coupling_farad, return_ohm : float
        Onto ground; 1 pF to 1 F, 100 Ω to 10 MΩ. return_ohm well below sum_input_ohm, which draws from the
        lower half wave only and moves the middle.
    protect_ohm : float
        Before U2A's input, 100 Ω to 10 MΩ.
    sum_input_ohm, sum_feedback_ohm : float
        Round U2B, 100 Ω to 10 MΩ.

    blocking : str
        "super_diode", or "none": U2C is left out, and the amplifier before it takes from the hold capacitor
        what it gave, through the attack resistor. That is what an average detector wants and a peak detector
        must not have.

    Examples
    --------
    >>> from envlab.analog.rectifiers.diodeless import Diodeless
    >>> built = Diodeless().as_built(1.65, 3.3)
    >>> round(1e3 * built.lower.error_v, 1)
    30.0
    """

    topology: ClassVar[str] = "diodeless"
    amplifiers: ClassVar[tuple[str, ...]] = (
        "follower that stops at ground",
        "sum of half wave and signal",
        "super-diode",
    )

    coupling_farad: float = field(default=10e-6, metadata=part("C10", 10, "moves the signal onto ground"))
    return_ohm: float = field(default=10e3, metadata=part("R15", 5, "holds the signal on ground"))
    protect_ohm: float = field(
        default=10e3, metadata=part("R20", 5, "limits the current into the input below ground")
    )
    sum_input_ohm: float = field(default=100e3, metadata=part("R21", 1, "adds the signal"))
    sum_feedback_ohm: float = field(default=100e3, metadata=part("R22", 1, "adds the signal"))

    blocking: str = "super_diode"

    def __post_init__(self) -> None:
        super().__post_init__()
        check_choice("blocking", self.blocking, BLOCKING)
        check_range("coupling_farad", self.coupling_farad, 1e-12, 1, unit="F")
        if self.reference_node_v != 0:
            limit = f"0: {self.topology} stops at ground"
            raise ParameterError("reference_node_v", self.reference_node_v, limit)

    @property
    def fitted_amplifiers(self) -> tuple[str, ...]:
        """What each amplifier does that is on the board; the last one may be left out."""
        return self.amplifiers if self.blocking == "super_diode" else self.amplifiers[:-1]

    def as_built(self, bias_v: float, supply_v: float) -> HalfWaves:
        """Return what it does on a board; bias_v, supply_v: V against ground."""
        part_, back = self.amplifier_part, self.sum_feedback_ohm / self.sum_input_ohm
        first_v, sum_v, after_v = (self.offset_now_v(one) for one in ("u2a", "u2b", "u2c"))
        error_v = (1 + back) * sum_v + after_v
        low_v = lowest_output_v(part_, 0.0, self.sum_input_ohm + self.sum_feedback_ohm) + after_v
        followed_v = part_.input_high_v if self.blocking == "super_diode" else 0.0
        top_v = supply_v - max(part_.output_high_v, followed_v)
        upper = HalfWave(1.0, (1 + back) * first_v + error_v, low_v, top_v)
        lower = HalfWave(back, (1 + back) * part_.output_low_v + error_v, low_v, top_v)
        built = self.held_from(bias_v, supply_v, upper, lower, joined=True)
        return replace(
            built,
            only_gives=self.blocking == "super_diode",
            coupling_farad=self.coupling_farad,
            return_ohm=self.return_ohm,
            lower_return_ohm=self.sum_input_ohm,
            lower_return_v=part_.output_low_v + first_v,
        )
