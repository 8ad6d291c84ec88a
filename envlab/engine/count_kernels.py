"""Compiled: from the volts of a bank to the counts of its chains."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray, IntArray


@compiled
def counts_above_quiescent(
    read_v: FloatArray,
    lanes: IntArray,
    quiescent_v: float,
    settled_share: float,
    lsb_v: float,
    offset_lsb: float,
    noise_lsb: FloatArray,
    top_code: int,
    quiescent_counts: IntArray,
) -> NDArray[np.int32]:
    """Return counts (chains, readings), not negative: what adc.in_lsb and adc.convert give, less the rest.

    read_v: shape (detectors, readings), V above the reference node. lanes: which detector each chain has.
    """
    counts = np.empty((lanes.size, noise_lsb.size), dtype=np.int32)
    for c in range(lanes.size):
        for k in range(noise_lsb.size):
            lsb = (quiescent_v + read_v[lanes[c], k]) * settled_share / lsb_v + offset_lsb + noise_lsb[k]
            code = min(max(np.floor(lsb), 0.0), float(top_code))
            counts[c, k] = max(int(code) - quiescent_counts[c], 0)
    return counts
