"""The colour of each brightness code of a costume, and its red flashes while the frames come by.

A costume of one colour, or of a ramp along the brightness, shows one colour at each brightness. So what a red
flash asks of a frame (red_flash.py), its chromaticity and whether it is a saturated red, follows from the
code of its brightness, in codes of the pixels' own depth: a dim mixed colour is rounded to what its channels
can show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from envlab.light.colour import colour_luminance
from envlab.light.colour_tables import channel_sum_limit, ramp_codes
from envlab.light.costume_colour import CostumeColour
from envlab.light.flashes.red_flash import COLOUR_STEP_UV, red_states
from envlab.light.flashes.sliding_window import window_reach
from envlab.light.pixels import Pixels, Supply
from envlab.units import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class ColourPath:
    """What each brightness code, 0 to the brightest, is shown as.

    uv: CIE 1976 u′, v′, shape (codes, 2). is_red: whether that is a saturated red, shape (codes,).
    """

    uv: FloatArray
    is_red: BoolArray

    @property
    def brightest_code(self) -> int:
        """The last of the codes."""
        return self.is_red.size - 1

    @property
    def can_flash(self) -> bool:
        """Whether any two of its states make a step to or from red."""
        if not self.is_red.any():
            return False
        # On a grid, which stands for all of a path of 65 536 codes; its width is allowed for.
        reds, others = (
            np.unique(np.round(some / _GRID_UV), axis=0) for some in (self.uv[self.is_red], self.uv)
        )
        apart = np.hypot(*(_GRID_UV * (reds[:, None] - others[None])).transpose(2, 0, 1))
        return bool((apart > COLOUR_STEP_UV - 1.5 * _GRID_UV).any())


# How finely colours are told apart where it is only asked whether any of them can flash.
_GRID_UV = 0.002


def colour_path(
    colour: CostumeColour, pixels: Pixels, supply: Supply, bits: int, brightest_code: int, *, limited: bool
) -> ColourPath | None:
    """Return what a costume's brightness codes are shown as; None where no colour is chosen.

    bits: depth of a code. brightest_code: of the brightness table, Y = code/brightest_code. limited: whether
    the table is, to what the supply carries of all pixels at once; else each channel may go up to full.
    """
    if colour.ramp is None:
        return None
    luminance = np.arange(brightest_code + 1) / brightest_code
    most = channel_sum_limit(pixels, supply) if limited else 3.0
    codes = ramp_codes(colour.ramp, luminance, bits, channel_sum=most, primaries=colour.primaries)
    light = codes / ((1 << bits) - 1)
    full = float(colour_luminance(light[-1], colour.primaries))
    uv, is_red = red_states(light, colour.primaries, full)
    return ColourPath(np.ascontiguousarray(uv), is_red)


class RunningRedFlashes:
    """Takes frames in their order, in blocks of any length; knows the worst second so far."""

    def __init__(self, rows: int, path: ColourPath, frame_rate_hz: float) -> None:
        """rows: candidates, all of one path."""
        self._reach = window_reach(frame_rate_hz)
        self._path = path
        self._idle = not path.can_flash
        size = self._reach + 2
        self._ring, self._to_red, self._from_red = (np.zeros((rows, size), np.int32) for _ in range(3))
        self._most = np.zeros(rows, np.int64)
        self._frames = 0

    def take(self, codes: NDArray[np.int32]) -> None:
        """codes: shape (rows, frames), brightness codes of the next frames."""
        from envlab.light.flashes import colour_path_kernels as kernels

        if not self._idle:
            kernels.count_on(
                codes,
                self._frames,
                self._path.uv,
                self._path.is_red,
                COLOUR_STEP_UV,
                self._reach,
                self._ring,
                self._to_red,
                self._from_red,
                self._most,
            )
        self._frames += codes.shape[1]

    @property
    def most_per_s(self) -> IntArray:
        """Most red flashes in any second so far, shape (rows,)."""
        from envlab.light.flashes import colour_path_kernels as kernels

        most = self._most.copy()
        if not self._idle:
            kernels.last_windows(self._frames, self._reach, self._to_red, self._from_red, most)
        return most


def count_path_flashes(codes: NDArray[np.int32], path: ColourPath, frame_rate_hz: float) -> int:
    """Return the most red flashes in any sliding second of a clip's brightness codes (frames,)."""
    running = RunningRedFlashes(1, path, frame_rate_hz)
    running.take(np.ascontiguousarray(codes, dtype=np.int32)[np.newaxis])
    return int(running.most_per_s[0])
