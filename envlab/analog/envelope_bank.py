"""Many detectors behind one rectifier, whatever it is, read at instants."""

from __future__ import annotations

import numpy as np

from envlab.analog.bank import bank_of, read_bank
from envlab.analog.detector import Detector
from envlab.analog.envelope import HoldState, hold_drive
from envlab.analog.passive import diode_step, read_passive
from envlab.analog.rectifier import Rectifier
from envlab.analog.settled import silent_state
from envlab.units import FloatArray, IntArray


class EnvelopeBank:
    """Carries the state of its detectors from block to block; all begin settled at silence."""

    def __init__(
        self, detectors: tuple[Detector, ...], rectifier: Rectifier, sample_rate_hz: float, bias_v: float
    ) -> None:
        self._detectors, self._rectifier, self._rate_hz = detectors, rectifier, sample_rate_hz
        self._held = [silent_state(detector, rectifier, bias_v=bias_v) for detector in detectors]
        rest_v = np.array([state.held_v for state in self._held])
        if rectifier.diode != "none":
            self._steps = np.array([diode_step(one, rectifier, sample_rate_hz) for one in detectors])
            self._state = np.stack((rest_v, [state.across_v for state in self._held]))
        elif rectifier.output_current_a is None:
            self._bank = bank_of(detectors, sample_rate_hz)
            self._state = self._bank.start(rest_v)

    def read(self, drive_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
        """Return V above the foot, shape (readings, detectors); arguments as read_bank."""
        if self._rectifier.diode != "none":
            read_v, self._state = read_passive(drive_v, self._steps, self._state, upper, fraction)
        elif self._rectifier.output_current_a is None:
            read_v, self._state = read_bank(drive_v, self._bank, upper, fraction, state=self._state)
        else:
            read_v = self._one_by_one(drive_v, upper, fraction)
        return read_v

    def _one_by_one(self, drive_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
        read_v = np.empty((upper.size, len(self._detectors)))
        for i, detector in enumerate(self._detectors):
            before: HoldState = self._held[i]
            held_v, self._held[i] = hold_drive(
                drive_v, self._rectifier, detector, sample_rate_hz=self._rate_hz, state=before
            )
            known_v = np.concatenate(([before.held_v], held_v))
            read_v[:, i] = known_v[upper] + fraction * (known_v[upper + 1] - known_v[upper])
        return read_v
