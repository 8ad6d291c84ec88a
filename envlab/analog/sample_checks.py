"""What every stage asks of the samples it is given."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from envlab.errors import ParameterError
from envlab.units import FloatArray


def sample_row(name: str, values: ArrayLike) -> FloatArray:
    """Return values as float64, shape (n,), in their own unit; ParameterError, by name, for anything else.

    Whole numbers become floats here: a compiled loop would otherwise keep its results as whole numbers.
    """
    try:
        row = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise ParameterError(name, type(values).__name__, "an array of numbers, of shape (n,)") from None
    if row.ndim != 1:
        raise ParameterError(name, f"an array of shape {row.shape}", "of shape (n,)")
    return row
