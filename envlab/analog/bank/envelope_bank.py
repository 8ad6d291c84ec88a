"""Many detectors behind one rectifier, whatever it is, read at instants."""

from __future__ import annotations

import numpy as np

from envlab.analog.bank.detector_bank import bank_of, read_bank
from envlab.analog.bank.diode_bank import diode_bank_of, read_diode_bank
from envlab.analog.detector import Detector
from envlab.analog.envelope import HoldState, hold_drive
from envlab.analog.rectifier import Rectifier
from envlab.analog.tones.nonlinear_steady_state import quiescent_state
from envlab.units import FloatArray, IntArray

# A group of vector lanes takes the time of three or four diodes one by one, however few lanes are used.
FEW_DIODES = 3


class EnvelopeBank:
    """Carries the state of its detectors from block to block; all begin settled at silence."""

    def __init__(
        self, detectors: tuple[Detector, ...], rectifier: Rectifier, sample_rate_hz: float, bias_v: float
    ) -> None:
        self._detectors, self._rectifier, self._rate_hz = detectors, rectifier, sample_rate_hz
        self._held = [quiescent_state(detector, rectifier, bias_v=bias_v) for detector in detectors]
        quiescent_v = np.array([state.held_v for state in self._held])
        self._kind = _kind(rectifier, len(detectors))
        if self._kind == "diode":
            self._diodes = diode_bank_of(detectors, rectifier, sample_rate_hz)
            self._state = self._diodes.start(quiescent_v, np.array([state.across_v for state in self._held]))
        elif self._kind == "ideal":
            self._bank = bank_of(detectors, sample_rate_hz)
            self._state = self._bank.start(quiescent_v)

    def read(self, drive_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
        """Return V above the reference node, shape (readings, detectors).

        drive_v, upper, fraction: one block and where it is read, as read_bank takes them.
        """
        if self._kind == "diode":
            read_v, self._state = read_diode_bank(drive_v, self._diodes, upper, fraction, state=self._state)
        elif self._kind == "ideal":
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


def _kind(rectifier: Rectifier, detectors: int) -> str:
    if rectifier.diode != "none":
        return "diode" if detectors > FEW_DIODES else "one by one"
    return "ideal" if rectifier.output_current_a is None else "one by one"
