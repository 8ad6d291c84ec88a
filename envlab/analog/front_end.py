"""From the microphone's volts to what the detector is offered: preamp, band filter, rectifier in a row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.analog.band_filter import BandFilter, FilterState, filter_band
from envlab.analog.board_preamp import BoardPreamp, BoardState, amplify_board
from envlab.analog.preamp import Amplified, Preamp, PreampState, amplify, limited_samples
from envlab.analog.rectifier import AmplifierState, Rectifier, rectify_in_time
from envlab.units import BoolArray, FloatArray


@dataclass(frozen=True)
class FrontEndState:
    """What preamp, band filter and the rectifier's amplifier remember; None: at rest."""

    preamp: PreampState | BoardState | None = None
    band_filter: FilterState | None = None
    rectifier: AmplifierState | None = None


@dataclass(frozen=True, eq=False)
class FrontEndNodes:
    """preamp_v, filtered_v (V round bias) and drive_v (V above the reference node), shape (n,); limited: samples at
    which the preamp or the microphone was at its limit; end: state afterwards."""

    preamp_v: FloatArray
    filtered_v: FloatArray
    drive_v: FloatArray
    limited: int
    end: FrontEndState


def drive_from(
    microphone_v: FloatArray,
    overloaded: BoolArray,
    preamp: Preamp,
    band_filter: BandFilter,
    rectifier: Rectifier,
    *,
    sample_rate_hz: float,
    state: FrontEndState,
) -> FrontEndNodes:
    """Return the nodes of one block. overloaded: shape (n,), samples that the microphone could not follow."""
    amplified, preamp_end = _amplified(microphone_v, preamp, sample_rate_hz, state)
    filtered_v, filter_end = filter_band(
        amplified.preamp_v,
        band_filter,
        sample_rate_hz=sample_rate_hz,
        low_v=-preamp.swing_down_v,
        high_v=preamp.swing_up_v,
        state=state.band_filter,
    )
    drive_v, rectifier_end = rectify_in_time(
        filtered_v,
        rectifier,
        sample_rate_hz=sample_rate_hz,
        bias_v=preamp.bias_v,
        state=state.rectifier,
    )
    limited = limited_samples(amplified, preamp, overloaded)
    end = FrontEndState(preamp_end, filter_end, rectifier_end)
    return FrontEndNodes(amplified.preamp_v, filtered_v, drive_v, limited, end)


def _amplified(
    microphone_v: FloatArray, preamp: Preamp, sample_rate_hz: float, state: FrontEndState
) -> tuple[Amplified, PreampState | BoardState]:
    before = state.preamp
    if isinstance(preamp, BoardPreamp):
        board = before if isinstance(before, BoardState) else None
        preamp_v, clipped, end = amplify_board(
            microphone_v, preamp, sample_rate_hz=sample_rate_hz, state=board
        )
        return Amplified(preamp_v, clipped, PreampState()), end
    plain = before if isinstance(before, PreampState) else None
    amplified = amplify(microphone_v, preamp, sample_rate_hz=sample_rate_hz, state=plain)
    return amplified, amplified.end


def front_end_response(preamp: Preamp, band_filter: BandFilter, frequency_hz: float) -> complex:
    """Volts at the rectifier over volts of the microphone at a frequency, H(jω), without limits."""
    return preamp.response(frequency_hz) * band_filter.response(frequency_hz)


def offset_at_rectifier_v(preamp: Preamp, band_filter: BandFilter) -> float:
    """What the preamp's resting error is behind the band filter, V."""
    return float(np.real(preamp.output_offset_v * band_filter.response(0.0)))
