"""How far the light that a flash guard shows lies from the light that was wanted."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError
from envlab.light.lightness import lightness_cie1976


def guard_error_lstar(wanted: ArrayLike, shown: ArrayLike) -> float:
    """Return the mean over all frames of the difference in CIE L* between shown and wanted light.

    wanted, shown: relative luminance (frames,), each 0..1. It is 0 where the guard alters nothing; a frame
    held full while darkness is wanted adds 100, divided by the number of frames. Raises ParameterError.

    Examples
    --------
    >>> guard_error_lstar([0.0, 1.0, 0.0, 0.0], [0.0, 1.0, 1.0, 0.0])
    25.0
    """
    before, after = lightness_cie1976(wanted), lightness_cie1976(shown)
    if before.ndim != 1 or before.shape != after.shape or not before.size:
        raise ParameterError("shown", after.shape, f"one luminance for each wanted one, {before.shape}")
    return float(np.abs(after - before).mean())
