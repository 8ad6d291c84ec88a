"""The commonest board in one pass: analog or electret microphone, plain preamp, precision rectifier.

Digit for digit what hear, amplify, rectify and detect give one after the other, at half their cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.analog import sections
from envlab.analog.band_filter import BandFilter
from envlab.analog.detector import Detector, hold_step
from envlab.analog.microphone import Microphone
from envlab.analog.preamp import Preamp
from envlab.analog.rectifier import Rectifier
from envlab.units import FloatArray


def in_one_pass(
    microphone: Microphone, preamp: Preamp, band_filter: BandFilter, rectifier: Rectifier
) -> bool:
    """Whether PrecisionBoard can do these stages."""
    bare = microphone.covering_loss_db == 0 and microphone.covering_corner_hz is None
    plain = type(preamp) is Preamp and not band_filter.sections
    return bare and plain and microphone.overload == "clip" and rectifier.scales_with_level


@dataclass(frozen=True, eq=False)
class PrecisionNodes:
    """microphone_v, preamp_v (V round bias), drive_v, held_v (V above the reference node), shape (n,); limited: samples
    at which microphone or preamp was at its limit."""

    microphone_v: FloatArray
    preamp_v: FloatArray
    drive_v: FloatArray
    held_v: FloatArray
    limited: int


class PrecisionBoard:
    """Carries its state from block to block; begins at rest."""

    def __init__(
        self,
        microphone: Microphone,
        preamp: Preamp,
        rectifier: Rectifier,
        detector: Detector,
        sample_rate_hz: float,
    ) -> None:
        self._full = rectifier.kind == "full"
        offset_v, low_v, high_v = preamp.output_offset_v, -preamp.swing_down_v, preamp.swing_up_v
        self._limits = np.array([*microphone.limits_pa, microphone.sensitivity_v_pa, offset_v, low_v, high_v])
        self._sections = np.array(
            [
                sections.high_pass(microphone.low_corner_hz, sample_rate_hz),
                sections.low_pass(microphone.high_corner_hz, sample_rate_hz),
                sections.high_pass(preamp.coupling_corner_hz, sample_rate_hz),
                sections.gain_with_ground_leg(preamp.gain, preamp.ground_corner_hz, sample_rate_hz),
                sections.low_pass(preamp.bandwidth_hz, sample_rate_hz),
            ]
        )
        self._hold = np.array(hold_step(detector, sample_rate_hz))
        self._state = np.zeros(6)

    def follow(self, pressure_pa: FloatArray) -> PrecisionNodes:
        """Return the nodes of one block of pressure, shape (n,), Pa."""
        from envlab.analog.kernels import precision_kernels

        heard, amplified, drive_v, held_v, limited, self._state = precision_kernels.precision_block(
            pressure_pa, self._limits, self._sections, self._hold, self._full, self._state
        )
        return PrecisionNodes(heard, amplified, drive_v, held_v, int(limited))
