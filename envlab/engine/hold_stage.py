"""The hold stage: many detectors behind one rectifier, whatever it is, read at the ADC's instants.

One detector of which every sample is wanted is analog.envelope.hold_rectified, which this stage calls where
no bank is quicker. Which loop runs is decided here and there, from the rectifier alone.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import numpy as np

from envlab.analog.adc import read_between
from envlab.analog.bank.detector_bank import bank_of, read_bank
from envlab.analog.bank.diode_bank import diode_bank_of, read_diode_bank
from envlab.analog.bank.half_wave_bank import half_wave_bank_of, read_half_wave_bank
from envlab.analog.detector import Detector, hold_step, readings_of
from envlab.analog.envelope import BuiltRectifier, HoldState, hold_rectified
from envlab.analog.rectifiers.half_waves import HalfWaves
from envlab.analog.rectifiers.ideal import Rectifier
from envlab.analog.rectifiers.pumps import Pump
from envlab.engine.board import Board
from envlab.units import FloatArray, IntArray

# A group of vector lanes takes the time of three or four diodes one by one, however few lanes are used.
FEW_DIODES = 3
FEW_BEHIND_AMPLIFIERS = 3
# Detectors of one bank: with more of them a front end alone would leave processors idle.
BANK = 256
BEHAVIOUR_RATE_HZ = 384e3


# Volts read in a block, shape (readings, detectors); rectified voltage, and where it is read.
Read = Callable[[FloatArray, IntArray, FloatArray], FloatArray]


class HoldStage:
    """Carries the state of its detectors from block to block.

    detectors: as built, at least one. rectifier: as built, one for all. start: what the capacitors of each
    hold at first.
    """

    def __init__(
        self,
        detectors: Sequence[Detector],
        rectifier: BuiltRectifier,
        sample_rate_hz: float,
        start: Sequence[HoldState],
    ) -> None:
        self._read = _side_by_side(tuple(detectors), rectifier, sample_rate_hz, start) or _one_by_one(
            tuple(detectors), rectifier, sample_rate_hz, start
        )

    def read(self, rectified_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
        """Return V above the reference node, shape (readings, detectors).

        rectified_v, upper, fraction: one block and where it is read, as read_bank takes them.
        """
        return self._read(rectified_v, upper, fraction)


def _side_by_side(
    detectors: tuple[Detector, ...], rectifier: BuiltRectifier, rate_hz: float, start: Sequence[HoldState]
) -> Read | None:
    """Return how a bank reads the detectors; None: there is none, or it would take longer."""
    if len(detectors) <= _few(rectifier) or any(readings_of(one) is not None for one in detectors):
        return None
    if isinstance(rectifier, HalfWaves):
        half_waves = half_wave_bank_of(detectors, rectifier, rate_hz)
        return _carried(partial(read_half_wave_bank, bank=half_waves), half_waves.start(start))
    held_v, across_v = np.array([(state.held_v, state.across_v) for state in start]).T
    if isinstance(rectifier, Rectifier) and rectifier.diode != "none":
        diodes = diode_bank_of(detectors, rectifier, rate_hz)
        return _carried(partial(read_diode_bank, bank=diodes), diodes.start(held_v, across_v))
    ideal = bank_of(detectors, rate_hz)
    return _carried(partial(read_bank, bank=ideal), ideal.start(held_v))


def _few(rectifier: BuiltRectifier) -> float:
    """Up to how many detectors are read quicker one by one; infinite where no bank knows the rectifier."""
    if isinstance(rectifier, HalfWaves):
        return FEW_BEHIND_AMPLIFIERS if rectifier.only_gives else math.inf
    if isinstance(rectifier, Pump):
        return math.inf
    if rectifier.diode != "none":
        return FEW_DIODES
    return 0 if rectifier.output_current_a is None else math.inf


def _carried(step: Callable[..., tuple[FloatArray, Any]], start: Any) -> Read:
    """Return how a bank reads block after block, its state kept between them."""
    state = start

    def read(rectified_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
        nonlocal state
        read_v, state = step(rectified_v, upper=upper, fraction=fraction, state=state)
        return read_v

    return read


def _one_by_one(
    detectors: tuple[Detector, ...], rectifier: BuiltRectifier, rate_hz: float, start: Sequence[HoldState]
) -> Read:
    held = list(start)

    def read(rectified_v: FloatArray, upper: IntArray, fraction: FloatArray) -> FloatArray:
        read_v = np.empty((upper.size, len(detectors)))
        for i, detector in enumerate(detectors):
            before_v = held[i].held_v
            held_v, held[i] = hold_rectified(
                rectified_v, rectifier, detector, sample_rate_hz=rate_hz, state=held[i]
            )
            read_v[:, i] = read_between(before_v, held_v, upper, fraction)
        return read_v

    return read


def behaviour(detector: Detector) -> tuple[float, float, float]:
    """Return logarithm of what is kept in a step while charging, gain, and the logarithm of what bleed keeps.

    Detectors with equal steps (at BEHAVIOUR_RATE_HZ) behave alike; 12 digits, as parts' products differ in
    the last bits.
    """
    step = hold_step(detector, BEHAVIOUR_RATE_HZ)
    # A part so quick that it forgets all within a step keeps 0 of it, and so does every quicker one.
    charge, bleed = (math.log(keep) if keep else -math.inf for keep in (step.charge_keep, step.bleed_keep))
    return float(f"{charge:.12g}"), float(f"{step.charge_gain:.12g}"), float(f"{bleed:.12g}")


def steps_far(rectifier: BuiltRectifier) -> bool:
    """Whether a rectifier's step is exact for a voltage that stands still, however long the step."""
    if isinstance(rectifier, Rectifier):
        return rectifier.diode == "none"
    return isinstance(rectifier, HalfWaves)


def charging_s(detector: Detector) -> float:
    """Return the time constant with which a detector charges, s."""
    charge, _, _ = behaviour(detector)
    return 0.0 if charge == -math.inf else -1.0 / charge / BEHAVIOUR_RATE_HZ


def alike_behind_stiff_source(board: Board) -> object:
    """Return what boards with equal front ends must share to hold equal volts.

    Ten times the capacitance with a tenth of both resistances is the same circuit to a stiff source; a
    rectifier that feels its load asks for the parts themselves, and so does a sampling capacitor.
    """
    detector = board.detector_as_built
    alike = board.rectifier.scales_with_level and readings_of(detector) is None
    return behaviour(detector) if alike else detector


def shared_out(boards: Sequence[Board], places: Sequence[int]) -> list[list[list[int]]]:
    """Share out the boards of one front end among hold stages, those with equal detectors in one group.

    Groups that charge alike come into the same stage; those whose readings take charge one by one, which no
    bank knows, stand apart. places: which of the boards; the result holds places.
    """
    groups: dict[object, list[int]] = {}
    apart: dict[object, list[int]] = {}
    for place in places:
        detector = boards[place].detector_as_built
        some = groups if readings_of(detector) is None else apart
        some.setdefault(alike_behind_stiff_source(boards[place]), []).append(place)
    order = list(groups)
    if len(order) > BANK and boards[places[0]].rectifier.scales_with_level:
        order.sort(key=_charging)
    return [
        [some[key] for key in keys]
        for some, in_order in ((groups, order), (apart, list(apart)))
        for keys in _evenly(in_order)
    ]


def _evenly(keys: list[object]) -> list[list[object]]:
    """Share out among as few stages as BANK allows."""
    edges = np.linspace(0, len(keys), -(-len(keys) // BANK) + 1).round().astype(int)
    return [keys[first:last] for first, last in itertools.pairwise(edges)]


def _charging(steps: object) -> tuple[float, object]:
    """How long a detector charges for how long it bleeds; steps as behaviour gives them."""
    assert isinstance(steps, tuple)
    charge, _, bleed = steps
    return (0.0 if charge == -math.inf else bleed / charge), steps
