"""Two resistors between a sound card and the preamp's input capacitor, and what a multimeter should read."""

from __future__ import annotations

import math
from dataclasses import dataclass

from envlab.analog.parts import nearest_value
from envlab.bench.signals.board_wave import input_peak
from envlab.chain import Chain
from envlab.errors import ParameterError, check_range

# A headphone socket gives this without effort; common practice, no source.
CARD_RMS_V = 0.3
# Small beside the preamp's input, large beside a headphone socket.
LOWER_OHM = 100.0
SERIES = "E24"


@dataclass(frozen=True)
class Attenuator:
    """Two resistors and two readings.

    upper_ohm: from the sound card to the node; lower_ohm: from the node to ground. card_rms_v: what a
    multimeter on AC volts should read at the sound card while the tuning tone plays; node_rms_v: at the node.
    """

    upper_ohm: float
    lower_ohm: float
    card_rms_v: float
    node_rms_v: float

    @property
    def ratio(self) -> float:
        """Node over card, 0 to 1."""
        return self.lower_ohm / (self.upper_ohm + self.lower_ohm)


def attenuator_for(chain: Chain, card_rms_v: float = CARD_RMS_V) -> Attenuator:
    """Return the attenuator by which the loudest tone has the peak that the bench signal wants.

    Parameters
    ----------
    chain : Chain
        The design.
    card_rms_v : float
        About what the sound card is to give, V rms, 0.01 to 10; the value to set follows from the resistors
        that can be bought.

    Raises
    ------
    ParameterError
        If the design wants more than the sound card gives.

    Examples
    --------
    >>> import envlab
    >>> from envlab.bench.signals.attenuator import attenuator_for
    >>> found = attenuator_for(envlab.Chain())
    >>> found.upper_ohm, round(found.card_rms_v, 3)
    (2000.0, 0.297)
    """
    check_range("card_rms_v", card_rms_v, 0.01, 10, unit="V")
    node_v = input_peak(chain, "wire") / math.sqrt(2)
    wanted_ohm = LOWER_OHM * (card_rms_v / node_v - 1)
    if wanted_ohm < LOWER_OHM / 10:
        raise ParameterError(
            "card_rms_v", card_rms_v, f"above {1.1 * node_v:.3g} V, as this preamp wants so much"
        )
    upper_ohm = nearest_value(SERIES, wanted_ohm)
    return Attenuator(upper_ohm, LOWER_OHM, node_v * (upper_ohm + LOWER_OHM) / LOWER_OHM, node_v)
