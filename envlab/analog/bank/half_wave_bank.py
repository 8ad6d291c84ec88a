"""A bank of detectors behind one rectifier with amplifiers, read only at the instants that somebody asks for.

Both half waves are made once, for all; gives what hold_made and read_at give one by one, to 1e-7 of the
largest half wave.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from envlab.analog.detector import Detector
from envlab.analog.envelope import HoldState, half_wave_states
from envlab.analog.rectifiers.half_wave_circuit import holding_numbers, make
from envlab.analog.rectifiers.half_waves import HalfWaves
from envlab.errors import ParameterError
from envlab.units import FloatArray, IntArray, SingleArray


class HalfWaveState(NamedTuple):
    """made: of the half waves, as make takes it. held: shape (groups, 3, lanes of a group), V."""

    made: FloatArray
    held: FloatArray


@dataclass(frozen=True, eq=False)
class HalfWaveBank:
    """Detectors behind one rectifier at one sample rate, laid out for the compiled loop.

    rows, lanes: shape (groups, numbers, lanes of a group), as hold_lanes wants them; those that are left over
    at the end repeat the last detector. detectors: how many there are.
    """

    rows: SingleArray
    lanes: FloatArray
    detectors: int
    built: HalfWaves
    sample_rate_hz: float

    def start(self, states: Sequence[HoldState]) -> HalfWaveState:
        """State in which each detector is as said; the half waves are those of the first."""
        groups, _, lanes = self.lanes.shape
        made, _ = half_wave_states(self.built, states[0])
        held = np.array([half_wave_states(self.built, state)[1][:3] for state in states]).T
        padded = np.pad(held, ((0, 0), (0, groups * lanes - self.detectors)), "edge")
        return HalfWaveState(made, np.ascontiguousarray(padded.reshape(3, groups, lanes).transpose(1, 0, 2)))


def half_wave_bank_of(detectors: Sequence[Detector], built: HalfWaves, sample_rate_hz: float) -> HalfWaveBank:
    """Return the bank of these peak detectors, at least one."""
    from envlab.analog.kernels.half_waves.half_wave_bleed_kernels import LONG
    from envlab.analog.kernels.half_waves.half_wave_kernels import TILE
    from envlab.analog.kernels.vector_kernels import LANES

    if not detectors:
        raise ParameterError("detectors", detectors, "at least one detector")
    steps = np.array([holding_numbers(detector, built, sample_rate_hz) for detector in detectors])
    bleed = steps[:, 2]
    rows = np.hstack((steps, what_is_taken(steps)))
    lanes = (bleed, *bleeding_for(bleed, TILE), *far_pieces(steps, 1), *far_pieces(steps, LONG))

    def in_groups(numbers: FloatArray) -> FloatArray:
        padded = np.pad(numbers, ((0, -len(numbers) % LANES), (0, 0)), "edge").T
        return np.ascontiguousarray(padded.reshape(padded.shape[0], -1, LANES).transpose(1, 0, 2))

    return HalfWaveBank(
        in_groups(rows).astype(np.float32),
        in_groups(np.column_stack(lanes)),
        len(detectors),
        built,
        sample_rate_hz,
    )


def what_is_taken(steps: FloatArray) -> FloatArray:
    """Return half_wave_bleed_kernels.STEPS from "release_takes" on, shape (detectors, rows).

    steps: shape (detectors, numbers), as holding_numbers gives them.
    """
    from envlab.analog.kernels.half_waves.half_wave_bleed_kernels import LONG
    from envlab.analog.kernels.half_waves.half_wave_kernels import MOST_U

    charge, gain, bleed = steps[:, :3].T
    low_v, per_slope = steps[:, 3], steps[:, 10]
    keep, takes = far_pieces(steps, LONG)
    return np.column_stack(
        (1 - charge - gain, 1 - bleed, low_v + MOST_U / per_slope, _far_leak(steps), keep, takes)
    )


def far_pieces(steps: FloatArray, pieces: int) -> tuple[FloatArray, FloatArray]:
    """Return what so many pieces of bleeding leave of a held voltage, and what they take, V, from far_v on.

    steps: as what_is_taken has it. There a diode leaks its saturation current and what lies across it, so
    that a piece makes k·v − c of v, and m of them k^m·v − c·(1 − k^m)/(1 − k).
    """
    from envlab.analog.kernels.half_waves.half_wave_kernels import TILE

    bleed, low_v, per_leak = steps[:, 2], steps[:, 3], steps[:, 12]
    left, leaks = bleeding_for(bleed, TILE)
    keep, takes = left - leaks * per_leak, leaks * (_far_leak(steps) - per_leak * low_v)
    powers = keep[:, np.newaxis] ** np.arange(pieces)
    return keep**pieces, takes * powers.sum(axis=1)


def bleeding_for(bleed: FloatArray, samples: int) -> tuple[FloatArray, FloatArray]:
    """Return what that many steps of bleeding leave, and how often they take the leakage of one.

    bleed: what one leaves, shape (detectors,). Without a loop; the leakage stands still meanwhile.
    """
    return bleed**samples, (bleed[:, np.newaxis] ** np.arange(samples)).sum(axis=1)


def _far_leak(steps: FloatArray) -> FloatArray:
    """What a step leaks at the lowest output, V, once a diode's leakage has reached its saturation.

    That is where half_wave_kernels.leak_v holds its exponential, 2^-16.
    """
    saturation, drawn = steps[:, 11], steps[:, 13]
    return np.asarray(drawn + saturation * (1 - 2.0**-16))


def read_half_wave_bank(
    signal_v: FloatArray, bank: HalfWaveBank, upper: IntArray, fraction: FloatArray, *, state: HalfWaveState
) -> tuple[FloatArray, HalfWaveState]:
    """Return (read_v, end state) over one block of the signal.

    signal_v: shape (n,), V round the bias; every block but the last a multiple of detector_bank's
    BLOCK_MULTIPLE long, so that blocks fall on the same tiles as the whole. upper, fraction: shape
    (readings,), as stamps_of gives them, counted from this block's first sample. read_v: shape (readings,
    detectors), V above the reference node.
    """
    from envlab.analog.kernels.half_waves import half_wave_lane_kernels

    upper_v, lower_v, made = make(signal_v, bank.built, sample_rate_hz=bank.sample_rate_hz, start=state.made)
    read_v, held = half_wave_lane_kernels.hold_lanes(
        upper_v.astype(np.float32),
        lower_v.astype(np.float32),
        bank.rows,
        bank.lanes,
        state.held,
        upper,
        fraction,
    )
    groups, readings, lanes = read_v.shape
    side_by_side = read_v.transpose(1, 0, 2).reshape(readings, groups * lanes)
    return side_by_side[:, : bank.detectors], HalfWaveState(made, held)
