"""A real diode: current over voltage, and how both move with temperature.

Shockley's law with an emission coefficient n and a series resistance,
i = Is·(exp((u − R·i)/(n·V_T)) − 1). Its saturation current follows the temperature as
Is(T) = Is0·(T/T0)^(3/n)·exp(Eg/(n·k)·(1/T0 − 1/T)), the law of the common junction model (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from envlab.errors import check_choice, check_range

BOLTZMANN_EV_PER_K = 8.617333262e-5
KELVIN = 273.15
DATA_SHEET_C = 25.0
# At which a diode's drop is told.
_TOLD_A = 1e-4


@dataclass(frozen=True)
class Diode:
    """One diode, or one bridge arm, as its data sheet gives it at 25 °C.

    saturation_a: 1e-18 to 1e-2 A. emission: 0.8 to 4. series_ohm: 0 to 10 kΩ. bandgap_ev: 0.1 to 5 eV.
    leakage_ohm: what lies across it when it blocks, beside its saturation current; 1 kΩ and more.
    temperature_c: −60 to 125 °C.
    """

    saturation_a: float
    emission: float
    series_ohm: float
    bandgap_ev: float
    leakage_ohm: float = 1e9
    temperature_c: float = DATA_SHEET_C

    def __post_init__(self) -> None:
        check_range("saturation_a", self.saturation_a, 1e-18, 1e-2, unit="A")
        check_range("emission", self.emission, 0.8, 4)
        check_range("series_ohm", self.series_ohm, 0, 10e3, unit="ohm")
        check_range("bandgap_ev", self.bandgap_ev, 0.1, 5, unit="eV")
        check_range("leakage_ohm", self.leakage_ohm, 1e3, 1e15, unit="ohm")
        check_range("temperature_c", self.temperature_c, -60, 125, unit="°C")

    @property
    def slope_v(self) -> float:
        """n·V_T: the voltage that multiplies the current by e."""
        return self.emission * BOLTZMANN_EV_PER_K * (self.temperature_c + KELVIN)

    @property
    def saturation_now_a(self) -> float:
        """Saturation current at temperature_c."""
        cold, now = DATA_SHEET_C + KELVIN, self.temperature_c + KELVIN
        gap = self.bandgap_ev / (self.emission * BOLTZMANN_EV_PER_K) * (1 / cold - 1 / now)
        return float(self.saturation_a * (now / cold) ** (3 / self.emission) * math.exp(gap))

    def drop_v(self, current_a: float) -> float:
        """Return the voltage across diode and series resistance at a forward current; 0 to 10 A."""
        check_range("current_a", current_a, 0, 10, unit="A")
        return self.series_ohm * current_a + self.slope_v * math.log1p(current_a / self.saturation_now_a)


# Typical of each class, from memory; a part's own data sheet goes before them.
DIODE_CLASSES = {
    "silicon": Diode(2.5e-9, 1.75, 0.6, 1.11, 1e9),
    "schottky": Diode(0.2e-6, 1.05, 2.0, 0.69, 20e6),
    "germanium": Diode(2e-6, 1.3, 7.0, 0.67, 2e6),
}


def diode_of(kind: str) -> Diode:
    """Return the typical diode of a class: "silicon" (small signal), "schottky" or "germanium"."""
    check_choice("diode", kind, tuple(DIODE_CLASSES))
    return DIODE_CLASSES[kind]


# What may be stated of a diode in place of what is typical of its class.
DIODE_VALUES = ("saturation_a", "emission", "series_ohm", "bandgap_ev", "leakage_ohm")


def stated_diode(kind: str, stated: Mapping[str, float | None], temperature_c: float) -> Diode:
    """Return the diode of a class with what is stated of it in place of what is typical.

    temperature_c: −60 to 125 °C. stated: name → value, of which DIODE_VALUES count; None: not stated.
    """
    own = {name: value for name in DIODE_VALUES if (value := stated.get(name)) is not None}
    return replace(diode_of(kind), temperature_c=temperature_c, **own)


def drop_moved(diode: Diode, temperature_c: float) -> tuple[str, ...]:
    """Return how far a diode's drop moves to another temperature, °C, in a clause; empty if it does not."""
    then = replace(diode, temperature_c=temperature_c)
    moved_v = then.drop_v(_TOLD_A) - diode.drop_v(_TOLD_A)
    if moved_v == 0:
        return ()
    side = "more" if moved_v > 0 else "less"
    return (f"each diode drops {abs(1e3 * moved_v):.3g} mV {side} at {1e3 * _TOLD_A:g} mA",)
