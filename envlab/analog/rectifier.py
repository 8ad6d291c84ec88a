"""Precision rectifier: an amplifier closes its loop round the diodes, so no voltage is lost in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.errors import check_choice, check_range
from envlab.units import FloatArray


@dataclass(frozen=True)
class Rectifier:
    """Half or full wave.

    kind: "half" passes what lies above the preamp's bias; "full" folds the lower half up.
    rest_v: voltage of the output at silence against the ADC's ground, 0 to 30 V. The rectifier, the foot of
    the hold capacitor and the foot of the release resistor share this reference: 0 is ground, the bias
    voltage if they hang on the bias.
    """

    kind: str = "full"
    rest_v: float = 0.0

    def __post_init__(self) -> None:
        check_choice("kind", self.kind, ("half", "full"))
        check_range("rest_v", self.rest_v, 0, 30, unit="V")


def rectify(signal_v: FloatArray, rectifier: Rectifier) -> FloatArray:
    """Return drive_v, shape (n,), V above rest_v, never negative.

    signal_v: shape (n,), V, the preamp's output round its bias.
    """
    if rectifier.kind == "full":
        return np.abs(signal_v)
    return np.maximum(signal_v, 0.0)
