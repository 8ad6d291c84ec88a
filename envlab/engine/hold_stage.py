"""The hold stage: many detectors behind one rectifier, whatever it is, read at the ADC's instants.

One detector of which every sample is wanted is analog.envelope.hold_rectified, which this stage calls where
no bank is quicker. Which loop runs is decided here and there, from the rectifier alone.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np

from envlab.analog.adc import read_between
from envlab.analog.bank.detector_bank import bank_of, read_bank
from envlab.analog.bank.diode_bank import diode_bank_of, read_diode_bank
from envlab.analog.detector import Detector, hold_step
from envlab.analog.envelope import HoldState, hold_rectified
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.engine.board import Board
from envlab.units import FloatArray, IntArray

# A group of vector lanes takes the time of three or four diodes one by one, however few lanes are used.
FEW_DIODES = 3
# Detectors of one bank: with more of them a front end alone would leave processors idle.
BANK = 256
BEHAVIOUR_RATE_HZ = 384e3


class HoldStage:
    """Carries the state of its detectors from block to block.

    detectors: as built, at least one. start: what the capacitors of each hold at first.
    """

    def __init__(
        self,
        detectors: Sequence[Detector],
        rectifier: Rectifier,
        sample_rate_hz: float,
        start: Sequence[HoldState],
    ) -> None:
        self._detectors, self._rectifier, self._rate_hz = tuple(detectors), rectifier, sample_rate_hz
        self._held = list(start)
        held_v = np.array([state.held_v for state in start])
        self._kind = _kind(rectifier, len(self._detectors))
        if self._kind == "diode":
            self._diodes = diode_bank_of(self._detectors, rectifier, sample_rate_hz)
            self._state = self._diodes.start(held_v, np.array([state.across_v for state in start]))
        elif self._kind == "ideal":
            self._bank = bank_of(self._detectors, sample_rate_hz)
            self._state = self._bank.start(held_v)

    def read(self, rectified_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
        """Return V above the reference node, shape (readings, detectors).

        rectified_v, upper, fraction: one block and where it is read, as read_bank takes them.
        """
        if self._kind == "diode":
            read_v, self._state = read_diode_bank(
                rectified_v, self._diodes, upper, fraction, state=self._state
            )
        elif self._kind == "ideal":
            read_v, self._state = read_bank(rectified_v, self._bank, upper, fraction, state=self._state)
        else:
            read_v = self._one_by_one(rectified_v, upper, fraction)
        return read_v

    def _one_by_one(self, rectified_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
        read_v = np.empty((upper.size, len(self._detectors)))
        for i, detector in enumerate(self._detectors):
            before_v = self._held[i].held_v
            held_v, self._held[i] = hold_rectified(
                rectified_v, self._rectifier, detector, sample_rate_hz=self._rate_hz, state=self._held[i]
            )
            read_v[:, i] = read_between(before_v, held_v, upper, fraction)
        return read_v


def _kind(rectifier: Rectifier, detectors: int) -> str:
    if rectifier.diode != "none":
        return "diode" if detectors > FEW_DIODES else "one by one"
    return "ideal" if rectifier.output_current_a is None else "one by one"


def behaviour(detector: Detector) -> tuple[float, float, float]:
    """Return logarithm of what is kept in a step while charging, gain, and the logarithm of what bleed keeps.

    Detectors with equal steps (at BEHAVIOUR_RATE_HZ) behave alike; 12 digits, as parts' products differ in
    the last bits.
    """
    step = hold_step(detector, BEHAVIOUR_RATE_HZ)
    # A part so quick that it forgets all within a step keeps 0 of it, and so does every quicker one.
    charge, bleed = (math.log(keep) if keep else -math.inf for keep in (step.charge_keep, step.bleed_keep))
    return float(f"{charge:.12g}"), float(f"{step.charge_gain:.12g}"), float(f"{bleed:.12g}")


def alike_behind_stiff_source(board: Board) -> object:
    """Return what boards with equal front ends must share to hold equal volts.

    Ten times the capacitance with a tenth of both resistances is the same circuit to a stiff source; a
    rectifier that feels its load asks for the parts themselves.
    """
    detector = board.detector_as_built
    return behaviour(detector) if board.rectifier.scales_with_level else detector


def shared_out(boards: Sequence[Board], places: Sequence[int]) -> list[list[list[int]]]:
    """Share out the boards of one front end among hold stages, those with equal detectors in one group.

    Groups that charge alike come into the same stage. places: which of the boards; the result holds places.
    """
    groups: dict[object, list[int]] = {}
    for place in places:
        groups.setdefault(alike_behind_stiff_source(boards[place]), []).append(place)
    order = list(groups)
    stages = -(-len(order) // BANK)
    if stages > 1 and boards[places[0]].rectifier.scales_with_level:
        order.sort(key=_charging)
    edges = np.linspace(0, len(order), stages + 1).round().astype(int)
    return [[groups[key] for key in order[first:last]] for first, last in itertools.pairwise(edges)]


def _charging(steps: object) -> tuple[float, object]:
    """How long a detector charges for how long it bleeds; steps as behaviour gives them."""
    assert isinstance(steps, tuple)
    charge, _, bleed = steps
    return (0.0 if charge == -math.inf else bleed / charge), steps
