"""What rectifiers have in common that fold both half waves and are one circuit with the hold capacitor."""

from __future__ import annotations

from typing import Any, ClassVar

from envlab.analog.diodes.diode import DIODE_CLASSES, Diode, drop_moved, stated_diode
from envlab.analog.stage import Advanced, AnalogStage, Surroundings
from envlab.errors import check_choice, check_range
from envlab.units import FloatArray


class FoldsBoth:
    """A rectifier of parts for both half waves, in a design or on its board."""

    @property
    def kind(self) -> str:
        """Both half waves are used."""
        return "full"

    @property
    def scales_with_level(self) -> bool:
        """Twice the signal is not twice the envelope: drops, pedestals and errors stay what they are."""
        return False


class HoldingRectifier(FoldsBoth, AnalogStage):
    """Base of the rectifiers with amplifiers and of the pumps; each names these fields in its own order.

    reference_node_v: 0 to 30 V against the ADC's ground. diode: a class. temperature_c: −60 to 125 °C. And
    what is stated of the diode, diodes.diode.DIODE_VALUES.
    """

    topology: ClassVar[str] = ""

    reference_node_v: float
    diode: str
    temperature_c: float

    def check_node_and_diode(self) -> None:
        """Raise ParameterError for a reference node, temperature or diode outside its range."""
        check_range("reference_node_v", self.reference_node_v, 0, 30, unit="V")
        check_range("temperature_c", self.temperature_c, -60, 125, unit="°C")
        check_choice("diode", self.diode, tuple(DIODE_CLASSES))
        _ = self.diode_part

    @property
    def diode_part(self) -> Diode:
        """One of its diodes, at its temperature."""
        return stated_diode(self.diode, vars(self), self.temperature_c)

    def moved_at(self, temperature_c: float) -> tuple[str, ...]:
        """Return what another temperature does to its diodes, in a clause.

        Parameters
        ----------
        temperature_c : float
            −60 to 125 °C.
        """
        return drop_moved(self.diode_part, temperature_c)

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return the signal itself: rectifier and hold capacitor are one circuit, and follow it together."""
        del around
        return Advanced(signal, state)
