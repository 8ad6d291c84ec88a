"""Flashes of many candidates, counted while the frames come by: the rule of flash.py; a second is kept."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.light.flashes.sliding_window import window_reach
from envlab.units import IntArray


class RunningFlashes:
    """Takes frames in their order, in blocks of any length; knows the worst second so far."""

    def __init__(self, rows: int, brightest_code: int, frame_rate_hz: float) -> None:
        """rows: candidates. brightest_code: duty code of the brightest state, at least 1."""
        from envlab.light.flashes import running_flash_kernels as kernels
        from envlab.light.flashes.flash_kernels import DARKER_BELOW, LEAST_CHANGE

        self._least, self._darker_below = kernels.thresholds(brightest_code, LEAST_CHANGE, DARKER_BELOW)
        self._reach = window_reach(frame_rate_hz)
        self._state, self._ring, self._noted = kernels.fresh_state(rows, self._reach)
        self._frames = 0

    def take(self, codes: NDArray[np.int32]) -> None:
        """codes: shape (rows, frames), duty codes of the next frames."""
        from envlab.light.flashes import running_flash_kernels as kernels

        kernels.count_on(
            codes,
            self._frames,
            self._least,
            self._darker_below,
            self._reach,
            self._state,
            self._ring,
            self._noted,
        )
        self._frames += codes.shape[1]

    @property
    def most_per_s(self) -> IntArray:
        """Most flashes in any second so far, shape (rows,)."""
        most: IntArray = self._state[:, 3].astype(np.int64)
        return most
