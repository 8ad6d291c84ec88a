"""Does the light flash dangerously? General flashes after [WCAG2.2], counted in every sliding second.

The definition (W3C, WCAG 2.2, "general flash and red flash thresholds"): a general flash is a pair of
opposing changes in relative luminance of 10 % or more of the maximum, where the relative luminance of the
darker state is below 0.80; a change runs between adjacent peaks and valleys. Not more than three in any one
second.

What is counted here, exactly. Each frame holds its luminance Y/Y_max until the next one. A chain is a series
of frames, in order but not necessarily neighbours, whose luminance goes up and down in turn, each time by
10 % of Y_max or more with the darker of the two below 0.80. Its duration runs from the end of its first frame
(where the first change begins) to the start of its last frame (where the last change is complete). A second
has as many flashes as the longest chain of at most one second has pairs of changes: whole pairs, each change
used once. What follows from it, and is meant so:

- a rise over many frames is one change of its whole height; reversals under 10 % do not end it;
- no resolution in time is lost: the second begins at every frame, and both of its edges belong to it
  (square flashing at 3.5 Hz therefore reaches four flashes in one second, at 3.49 Hz three);
- a change that lies only partly in the second counts there as soon as that part is 10 %;
- the area of the light is not credited: WCAG lets small areas pass, but how near the public stands to a
  costume, and how many costumes flash together, nobody knows.

Y_max is the brightest state that the costume can show under its supply duty_limit, not the lamp's own full
scale, so a duty limit hides no flash. Passing is no medical clearance: it says that a published limit is
kept, nothing more.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError, check_positive, check_range
from envlab.light.flashes.sliding_window import window_reach
from envlab.light.lightness import check_unit_interval
from envlab.units import FloatArray, IntArray

FLASHES_ALLOWED_PER_S = 3


@dataclass(frozen=True, eq=False)
class FlashReport:
    """The flashes of one clip.

    Parameters
    ----------
    worst_per_s : int
        Most flashes in any second.
    worst_start_s, worst_end_s : float
        The worst second (0, 0 without any).
    per_second : ndarray of int
        Flashes (frames,) of the second that begins with each frame.
    change_s : ndarray of float
        Times at which the changes of the whole clip are complete, read once from its start.
    """

    worst_per_s: int
    worst_start_s: float
    worst_end_s: float
    per_second: IntArray = field(repr=False)
    change_s: FloatArray = field(repr=False)

    @property
    def passes(self) -> bool:
        """Whether no second has more than three flashes."""
        return self.worst_per_s <= FLASHES_ALLOWED_PER_S


def count_flashes(duty: ArrayLike, frame_rate_hz: float, *, full_duty: float = 1.0) -> int:
    """Return the most general flashes in any sliding second [WCAG2.2].

    The exact rule stands at the module's top.

    Parameters
    ----------
    duty : array_like
        Shape (frames,), each 0 to full_duty.
    frame_rate_hz : float
        Frames a second, 1 to 10 000 Hz.
    full_duty : float
        Duty of the brightest state that the costume can show (its duty_limit), above 0 to 1.

    Returns
    -------
    int

    Raises
    ------
    ParameterError
        For duties or a rate that cannot be.

    References
    ----------
    [WCAG2.2] W3C, Web content accessibility guidelines (WCAG) 2.2, 2023, “general flash and red flash
        thresholds” and success criteria 1.4.11, 2.3.1.

    Examples
    --------
    >>> from envlab import count_flashes
    >>> count_flashes([0.0, 1.0] * 5, frame_rate_hz=10.0)
    4
    """
    from envlab.light.flashes.flash_kernels import most_changes

    return int(most_changes(flash_luminance(duty, full_duty), window_reach(frame_rate_hz))[0])


def find_flashes(duty: ArrayLike, frame_rate_hz: float, *, full_duty: float = 1.0) -> FlashReport:
    """Return where the flashes of duties (frames,) are, and the worst second; arguments as count_flashes.

    Parameters
    ----------
    duty : array_like
        Shape (frames,), each 0 to full_duty.
    frame_rate_hz : float
        Frames a second, 1 to 10 000 Hz.
    full_duty : float
        Duty of the brightest state that the costume can show, above 0 to 1.

    Returns
    -------
    FlashReport
    """
    from envlab.light.flashes.flash_kernels import completions, flashes_from_each_frame

    luminance = flash_luminance(duty, full_duty)
    per_second = flashes_from_each_frame(luminance, window_reach(frame_rate_hz))
    frames = np.zeros(luminance.size, dtype=np.int64)
    found = completions(luminance, 0, luminance.size, frames) if luminance.size else 0
    change_s = frames[:found] / frame_rate_hz
    if not per_second.any():
        return FlashReport(0, 0.0, 0.0, per_second, change_s)
    first = int(np.argmax(per_second))
    start_s = (first + 1) / frame_rate_hz
    end_s = min(start_s + 1.0, luminance.size / frame_rate_hz)
    return FlashReport(int(per_second[first]), start_s, end_s, per_second, change_s)


def flash_luminance(duty: ArrayLike, full_duty: float) -> FloatArray:
    """Return Y/Y_max (frames,) of duties (frames,); raises ParameterError for what no lamp can show."""
    check_positive("full_duty", full_duty)
    check_range("full_duty", full_duty, high=1.0)
    levels = np.ascontiguousarray(duty, dtype=np.float64)
    if levels.ndim != 1:
        raise ParameterError("duty", levels.shape, "one value per frame, of shape (frames,)")
    check_unit_interval("duty", levels, full_duty)
    return levels / full_duty
