"""From counts to light, as the firmware does it: follower, table, codes, duty; the one way there is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.digital.followers import follow
from envlab.engine.board import Board
from envlab.light.table import LookupTable
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Light:
    """What some frames show.

    envelope_counts: shape (readings,), counts above zero behind the follower. frame_counts: shape (frames,),
    the envelope that each frame shows. codes: shape (frames,), at the table's depth. table: what made them.
    follower_state: what the follower remembers behind the last reading.
    """

    envelope_counts: FloatArray
    frame_counts: FloatArray
    codes: IntArray
    table: LookupTable
    follower_state: FloatArray

    @property
    def duty(self) -> FloatArray:
        """Share of full pixel current, shape (frames,)."""
        return self.codes / self.table.full_code

    @property
    def full_duty(self) -> float:
        """Brightest state that the costume can show within its duty limit."""
        return self.table.brightest_code / self.table.full_code


def light_of_counts(
    board: Board,
    above_zero: FloatArray | IntArray,
    table: LookupTable,
    frames: range,
    first_reading: int = 0,
    *,
    rate_hz: float | None = None,
    state: FloatArray | None = None,
) -> Light:
    """Return the light of some frames.

    Parameters
    ----------
    board
        Whose firmware runs.
    above_zero
        Shape (readings,), counts above zero, from first_reading on to what the last of the frames shows.
    table
        The board's brightness table.
    frames
        Which frames of the clip, rising by one.
    first_reading
        Index of the first reading.
    rate_hz
        At which the readings come; None: the ADC's.
    state
        What the follower remembers; None: at rest.
    """
    envelope_counts, end = follow(
        np.asarray(above_zero, dtype=np.float64),
        board.follower,
        rate_hz=board.adc.rate_hz if rate_hz is None else rate_hz,
        state=state,
    )
    shown = board.reading_of_frame(frames.stop, frames.start) - first_reading
    frame_counts = envelope_counts[shown]
    return Light(envelope_counts, frame_counts, table.look_up(frame_counts), table, end)
