"""Compiled loop of the noise; imported inside the functions that use it."""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray


@compiled
def fill_normal(stream: np.random.Generator, out: FloatArray) -> None:
    """Write the next normal numbers of variance 1 into out; the stream goes on behind them."""
    for n in range(out.size):
        out[n] = stream.standard_normal()
