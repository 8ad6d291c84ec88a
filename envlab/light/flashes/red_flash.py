"""Red flashes of a coloured costume after WCAG 2.2 [WCAG2.2], counted in every sliding second.

The definition (W3C, WCAG 2.2, note 4 of "general flash and red flash thresholds", after [ISO9241-391]): a
pair of opposing transitions where one transition is either to or from a state with R/(R + G + B) of 0.8 or
more (linear light), and the difference between the states is more than 0.2 in the CIE 1976 u′v′ diagram. Not
more than three in any one second.

What is counted: the longest series of frames within a second (see flash.py for its edges) that go to red and
from red in turn, each step by more than 0.2; whole pairs, each step used once. Where the definition is
silent: a state darker than 1 % of the brightest has no colour of its own; it counts as the pixels' white, so
that deep red against dark is a step (0.26 with the primaries of sRGB).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError
from envlab.light.colour import (
    SRGB_PRIMARIES,
    Primaries,
    check_colour,
    chromaticity_uv,
    colour_luminance,
)
from envlab.light.flashes.sliding_window import window_reach
from envlab.units import BoolArray, FloatArray, IntArray

RED_SHARE = 0.8
COLOUR_STEP_UV = 0.2
DARK_SHARE = 0.01


def count_red_flashes(
    linear_rgb: ArrayLike,
    frame_rate_hz: float,
    *,
    primaries: Primaries = SRGB_PRIMARIES,
    full_luminance: float | None = None,
) -> int:
    """Return the most red flashes in any sliding second of linear_rgb, linear light (frames, 3), each 0..1.

    Parameters
    ----------
    linear_rgb : array_like
        Linear light, shape (frames, 3), each 0 to 1.
    frame_rate_hz : float
        Frames a second, 1 to 10 000 Hz.
    primaries : Primaries
        Chromaticities of the emitters.
    full_luminance : float or None
        Luminance of the brightest state that there is, full white being 1; None: that of the brightest frame.

    Returns
    -------
    int

    Raises
    ------
    ParameterError
        For a value that cannot be.
    """
    from envlab.light.flashes.flash_kernels import most_turns

    reach = window_reach(frame_rate_hz)
    light = check_colour(linear_rgb, "linear_rgb")
    if light.ndim != 2:
        raise ParameterError("linear_rgb", light.shape, "one colour per frame, of shape (frames, 3)")
    if light.shape[0] < 2:
        return 0
    to_red, from_red = _latest_partners(light, reach, primaries, full_luminance)
    return int(most_turns(to_red, from_red, reach))


def red_share(linear_rgb: ArrayLike) -> FloatArray:
    """Return R/(R + G + B) (...) of linear_rgb, linear light (..., 3); 0 without light."""
    light = np.asarray(linear_rgb, dtype=np.float64)
    total = light.sum(axis=-1)
    share: FloatArray = np.divide(light[..., 0], total, out=np.zeros_like(total), where=total > 0.0)
    return share


def red_states(
    light: FloatArray, primaries: Primaries, full_luminance: float | None = None
) -> tuple[FloatArray, BoolArray]:
    """Return u′, v′ (frames, 2) of linear light (frames, 3), and whether it is a saturated red (frames,).

    A state that is too dark to have a colour has that of white. full_luminance as count_red_flashes.
    """
    luminance = colour_luminance(light, primaries)
    dark = luminance < DARK_SHARE * (luminance.max() if full_luminance is None else full_luminance)
    seen = np.where(dark[:, None], 1.0, light)
    return chromaticity_uv(seen, primaries), red_share(seen) >= RED_SHARE - 1e-12


def _latest_partners(
    light: FloatArray, reach: int, primaries: Primaries, full_luminance: float | None
) -> tuple[IntArray, IntArray]:
    """For each frame the latest earlier frame from which it is a step to red, or from red; −1 for none."""
    uv, red = red_states(light, primaries, full_luminance)
    frames = np.arange(light.shape[0])
    to_red = np.full(frames.size, -1, dtype=np.int64)
    from_red = np.full(frames.size, -1, dtype=np.int64)
    for apart in range(1, min(reach + 2, frames.size)):
        step = np.hypot(*np.moveaxis(uv[apart:] - uv[:-apart], -1, 0)) > COLOUR_STEP_UV
        for partner, involved in ((to_red, red[apart:]), (from_red, red[:-apart])):
            new = np.flatnonzero(step & involved & (partner[apart:] < 0)) + apart
            partner[new] = new - apart
    return to_red, from_red
