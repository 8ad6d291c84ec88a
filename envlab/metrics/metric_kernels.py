"""Compiled parts of the metrics, for many candidates on one clip. Definitions stand in metrics.py."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.analog.kernels.stage_kernels import compiled
from envlab.units import FloatArray, IntArray

Codes = NDArray[np.int32]


@compiled
def _code_at(counts: float, codes: IntArray, full_scale: float) -> int:
    """The duty code of envelope counts, as LookupTable.look_up gives it for an even index: straight between
    entries, rounded half up."""
    place = min(max(counts, 0.0), full_scale) * ((codes.size - 1) / full_scale)
    low = min(int(place), codes.size - 2)
    return int(codes[low] + (codes[low + 1] - codes[low]) * (place - low) + 1e-9 + 0.5)


@compiled
def codes_of(envelope: FloatArray, codes: IntArray, full_scale: float) -> Codes:
    """Return the duty codes (candidates, frames) of envelope counts; codes: shape (candidates, entries).

    full_scale: counts of the last entry.
    """
    found = np.empty(envelope.shape, dtype=np.int32)
    for c in range(envelope.shape[0]):
        for f in range(envelope.shape[1]):
            found[c, f] = _code_at(envelope[c, f], codes[c], full_scale)
    return found


@compiled
def codes_of_steps(steps: int, steps_a_count: int, codes: IntArray, full_scale: float) -> Codes:
    """Return the duty codes of 0, 1, 2 … steps, so many to a count, shape (candidates, steps).

    codes, full_scale: as in codes_of.
    """
    found = np.empty((codes.shape[0], steps), dtype=np.int32)
    for c in range(codes.shape[0]):
        for step in range(steps):
            found[c, step] = _code_at(step / steps_a_count, codes[c], full_scale)
    return found


@compiled
def tally(steps: Codes, code_of_step: Codes, table: IntArray, seen: Codes) -> Codes:
    """Add frames' steps (candidates, frames) to how often each was seen; return the frames' duty codes.

    code_of_step: shape (tables, steps). table: which of them is whose, shape (candidates,). seen: shape
    (candidates, steps).
    """
    codes = np.empty_like(steps)
    for c in range(steps.shape[0]):
        code_of = code_of_step[table[c]]
        for f in range(steps.shape[1]):
            step = steps[c, f]
            seen[c, step] += 1
            codes[c, f] = code_of[step]
    return codes


@compiled
def steps_at_ranks(seen: Codes, ranks: IntArray) -> Codes:
    """Return the steps (candidates, ranks) at these ranks, rising, 0 the least; seen as in tally."""
    found = np.empty((seen.shape[0], ranks.size), dtype=np.int32)
    for c in range(seen.shape[0]):
        passed, k = 0, 0
        for step in range(seen.shape[1]):
            passed += seen[c, step]
            while k < ranks.size and ranks[k] < passed:
                found[c, k] = step
                k += 1
    return found


@compiled
def totals(
    seen: Codes, code_of_step: Codes, table: IntArray, lit_code: int
) -> tuple[IntArray, IntArray, IntArray]:
    """Return, shape (candidates,) each: the sum of the frames' codes, how many frames have lit_code or more,
    and the largest step seen. seen, code_of_step, table: as in tally."""
    code_sum, lit = np.zeros(seen.shape[0], dtype=np.int64), np.zeros(seen.shape[0], dtype=np.int64)
    largest = np.zeros(seen.shape[0], dtype=np.int64)
    for c in range(seen.shape[0]):
        code_of = code_of_step[table[c]]
        for step in range(seen.shape[1]):
            often = seen[c, step]
            if often:
                code = code_of[step]
                code_sum[c] += np.int64(often) * code
                lit[c] += often if code >= lit_code else 0
                largest[c] = step
    return code_sum, lit, largest


@compiled
def keep_extremes(codes: Codes, first: int, last: int, least: Codes, most: Codes) -> None:
    """Take frames first to before last of codes (frames, candidates) into the least and the most so far.

    least: shape (ranks, candidates), the smallest codes in rising order. most: the largest, the largest
    first. The inner loops run over the candidates, side by side in the processor's vector lanes.
    """
    carried = np.empty(codes.shape[1], dtype=np.int32)
    for f in range(first, last):
        for c in range(carried.size):
            carried[c] = codes[f, c]
        for rank in range(least.shape[0]):
            row = least[rank]
            for c in range(row.size):
                smaller, larger = min(row[c], carried[c]), max(row[c], carried[c])
                row[c], carried[c] = smaller, larger
        for c in range(carried.size):
            carried[c] = codes[f, c]
        for rank in range(most.shape[0]):
            row = most[rank]
            for c in range(row.size):
                smaller, larger = min(row[c], carried[c]), max(row[c], carried[c])
                row[c], carried[c] = larger, smaller


@compiled
def _bin_at(bits: int, lowest: int, shift: int, bins: int) -> int:
    """The bin of a number that is not negative, by the bits of its float."""
    return min(max((bits >> shift) - lowest, 0), bins - 1)


@compiled
def count_bins(bits: IntArray, lowest: int, shift: int, rows: IntArray, seen: Codes) -> None:
    """Add numbers (rows, frames), given by the bits of their floats, to how many fell into each bin.

    lowest: (bits of the least number that has a bin of its own) >> shift. seen: shape (any, bins).
    """
    for r in range(bits.shape[0]):
        row = seen[rows[r]]
        for f in range(bits.shape[1]):
            row[_bin_at(bits[r, f], lowest, shift, row.size)] += 1


@compiled
def keep_bins(
    bits: IntArray,
    lowest: int,
    shift: int,
    bins: int,
    rows: IntArray,
    wanted: IntArray,
    ends: IntArray,
    limits: IntArray,
    kept: IntArray,
) -> None:
    """Keep the numbers (rows, frames) that fall into wanted bins, as bits; lowest, shift: as in count_bins.

    rows: shape (rows,), which rows of the other arrays theirs are. wanted: shape (any, ranks), bins, the same
    one more than once or not. ends: of each row, where in kept the next one goes; moved on. limits: of each
    row, the end of its place in kept, behind which nothing is written.
    """
    for r in range(bits.shape[0]):
        row, end = wanted[rows[r]], ends[rows[r]]
        for f in range(bits.shape[1]):
            at = _bin_at(bits[r, f], lowest, shift, bins)
            for k in range(row.size):
                if row[k] == at:
                    if end < limits[rows[r]]:
                        kept[end] = bits[r, f]
                    end += 1
                    break
        ends[rows[r]] = end
