"""How the pixels' current reaches the microphone: through what they share of rail and ground.

What the current does to the rail passes the regulator's rejection, the RC that decouples microphone load and
bias, and the microphone's own rejection; what it does to a shared piece of ground stands in the signal as it
is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from envlab.errors import check_positive, check_range
from envlab.light.pixels import Pixels
from envlab.light.power.pulses import USUAL_PWM_HZ
from envlab.units import from_db

# The fastest PWM of which a loop's gain is told, Hz.
FASTEST_HZ = 100e3


@dataclass(frozen=True)
class Coupling:
    """How pixel current reaches the microphone's signal; the defaults are typical, from memory.

    Parameters
    ----------
    rail_ohm : float
        Of supply and wires that pixels and analog part share, 0 to 10 Ω.
    rail_rejection_db : float
        Of the regulator between, 0 to 120 dB.
    decoupling_ohm : float
        Of the RC before microphone load and bias, 0 to 1 MΩ; 0: there is none.
    decoupling_farad : float
        Of the same, F, above 0.
    microphone_rejection_db : float
        How much less of its supply than of its signal the microphone hands on, 0 to 120 dB; 0 for a two-wire
        electret, whose load hangs on that supply.
    ground_ohm : float
        Ground that both share, 0 to 1 Ω.
    pwm_hz : float
        At which pixels switch, 10 Hz to 100 kHz, where [pixels] states no pwm_hz.
    """

    rail_ohm: float = 0.05
    rail_rejection_db: float = 40.0
    decoupling_ohm: float = 100.0
    decoupling_farad: float = 10e-6
    microphone_rejection_db: float = 0.0
    ground_ohm: float = 0.0
    pwm_hz: float = USUAL_PWM_HZ

    def __post_init__(self) -> None:
        check_range("rail_ohm", self.rail_ohm, 0, 10, unit="ohm")
        check_range("rail_rejection_db", self.rail_rejection_db, 0, 120, unit="dB")
        check_range("decoupling_ohm", self.decoupling_ohm, 0, 1e6, unit="ohm")
        check_positive("decoupling_farad", self.decoupling_farad, unit="F")
        check_range("microphone_rejection_db", self.microphone_rejection_db, 0, 120, unit="dB")
        check_range("ground_ohm", self.ground_ohm, 0, 1, unit="ohm")
        check_range("pwm_hz", self.pwm_hz, 10, FASTEST_HZ, unit="Hz")

    @property
    def rail_v_per_a(self) -> float:
        """Volts in the signal per ampere, over the rail, at low frequency."""
        return self.rail_ohm * from_db(-self.rail_rejection_db - self.microphone_rejection_db)

    @property
    def decoupling_corner_hz(self) -> float:
        """1/(2π·R·C); infinite without a resistor."""
        through = 2 * math.pi * self.decoupling_ohm * self.decoupling_farad
        return math.inf if through == 0 else 1 / through

    def response(self, frequency_hz: float) -> complex:
        """Volts in the microphone's signal per ampere of pixel current at a frequency."""
        return self.rail_v_per_a / (1 + 1j * frequency_hz / self.decoupling_corner_hz) + self.ground_ohm


def coupling_at(coupling: Coupling, pixels: Pixels) -> Coupling:
    """Return a coupling at the frequency at which the pixels switch, if that is stated, 100 kHz at most."""
    if pixels.pwm_hz is None:
        return coupling
    return replace(coupling, pwm_hz=min(pixels.pwm_hz, FASTEST_HZ))
