"""Compiled: from volts at the readings to the counts of many boards' converters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray, IntArray

# Rows of a converter's numbers.
CONVERTER = (
    *("reference_node_v", "settled_share", "lsb_v", "offset_lsb", "top_code"),
    *("dead_low_v", "bow_lsb", "lowest_pin_v", "zero_counts"),
)


@compiled
def quantise(
    read_v: FloatArray, lanes: IntArray, converters: FloatArray, noise_lsb: FloatArray
) -> NDArray[np.int32]:
    """Return counts above the zero, shape (boards, readings), not negative.

    read_v: shape (detectors, readings), V above the reference node. lanes: shape (boards,), which detector
    each board has. converters: shape (boards, 9), as CONVERTER. noise_lsb: shape (readings,), LSB.
    The converter's first step lies at one LSB; it stops at 0 and at its top code. No pin is lower than its
    buffer's output goes.
    """
    counts = np.empty((lanes.size, noise_lsb.size), dtype=np.int32)
    for b in range(lanes.size):
        node_v, share, lsb_v = converters[b, 0], converters[b, 1], converters[b, 2]
        offset_lsb, top_code, dead_v = converters[b, 3], converters[b, 4], converters[b, 5]
        bow_lsb, lowest_v, zero = converters[b, 6], converters[b, 7], int(converters[b, 8])
        for k in range(noise_lsb.size):
            # Without dead zone and bow both are exact zeros, and change no bit.
            lsb = (max(node_v + read_v[lanes[b], k], lowest_v) * share - dead_v) / lsb_v
            if bow_lsb != 0.0:
                along = min(max(lsb / (top_code + 1.0), 0.0), 1.0)
                lsb += 4.0 * bow_lsb * along * (1.0 - along)
            lsb = lsb + offset_lsb + noise_lsb[k]
            code = min(max(np.floor(lsb), 0.0), top_code)
            counts[b, k] = max(int(code) - zero, 0)
    return counts
