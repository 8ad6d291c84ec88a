"""Compiled search for the worst ripple_aliasing; the definition stands in ripple_aliasing.py.

Plain loops over numbers: numpy's functions on whole arrays would have to be compiled into each of these, two
seconds of a first run.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from envlab.analog.kernels.stage_kernels import compiled, held_next
from envlab.analog.kernels.tone_kernels import narrow
from envlab.units import FloatArray, IntArray

Places = NDArray[np.int16]
_SETTLED = 1e-9
_MOST_TURNS = 200
_SIDE_BY_SIDE = 16
_COARSE = 8


@compiled
def _over_one_cycle(
    drive_v: FloatArray, charge: FloatArray, bleed: FloatArray, start: FloatArray
) -> FloatArray:
    """End of a cycle that began with start, one number a frequency, all side by side in vector lanes.

    Voltages over charge_gain, so that a step has one product beside one sum, as in
    analog/kernels/lane_kernels.py.
    """
    w = start.copy()
    for u in drive_v:
        for f in range(w.size):
            w[f] = held_next(w[f], u, charge[f], bleed[f])
    return w


@compiled
def _gap_over_one_cycle(
    drive_v: FloatArray, charge: FloatArray, bleed: FloatArray, start: FloatArray
) -> FloatArray:
    """By how much a cycle ends above where it began, one number a frequency."""
    gap: FloatArray = _over_one_cycle(drive_v, charge, bleed, start)
    for f in range(gap.size):
        gap[f] -= start[f]
    return gap


@compiled
def _extremes(values: FloatArray) -> tuple[float, float]:
    """(least, largest) of some numbers."""
    least, largest = values[0], values[0]
    for value in values:
        least, largest = min(least, value), max(largest, value)
    return least, largest


@compiled
def _mean(values: FloatArray) -> float:
    total = 0.0
    for value in values:
        total += value
    return total / values.size


@compiled
def _how_many_below(value: float, rising: FloatArray) -> int:
    low, high = 0, rising.size
    while low < high:
        middle = (low + high) // 2
        if rising[middle] < value:
            low = middle + 1
        else:
            high = middle
    return low


@compiled
def _how_many_up_to(value: float, rising: FloatArray) -> int:
    low, high = 0, rising.size
    while low < high:
        middle = (low + high) // 2
        if rising[middle] <= value:
            low = middle + 1
        else:
            high = middle
    return low


@compiled
def _settled_starts(
    drive_v: FloatArray, charge: FloatArray, bleed: FloatArray, gain: FloatArray
) -> FloatArray:
    """Start of the cycle that ends where it began, one a frequency: as kernels.settled_start finds it.

    A frequency that has settled is left alone, so that it does not matter which others come with it.
    """
    low, high, middle = np.zeros(gain.size), np.empty(gain.size), np.empty(gain.size)
    top_v = _extremes(drive_v)[1]
    for f in range(gain.size):
        high[f] = top_v / gain[f]
    gap_low = _gap_over_one_cycle(drive_v, charge, bleed, low)
    gap_high = _gap_over_one_cycle(drive_v, charge, bleed, high)
    side = np.zeros(gain.size)
    for _ in range(_MOST_TURNS):
        widest = 0.0
        for f in range(gain.size):
            widest = max(widest, (high[f] - low[f]) * gain[f])
            middle[f] = low[f]
            if gap_low[f] > gap_high[f]:
                middle[f] += (high[f] - low[f]) * gap_low[f] / (gap_low[f] - gap_high[f])
        if widest <= _SETTLED:
            break
        gap = _gap_over_one_cycle(drive_v, charge, bleed, middle)
        for f in range(gain.size):
            if (high[f] - low[f]) * gain[f] <= _SETTLED:
                continue
            narrow(f, middle[f], gap[f], low, high, gap_low, gap_high, side)
    for f in range(gain.size):
        middle[f] = 0.5 * (low[f] + high[f])
    return middle


@compiled
def settled_cycles(cycle_v: FloatArray, steps: FloatArray) -> FloatArray:
    """One settled cycle of the detector, V, for each row of steps: shape (frequencies, samples of a cycle).

    steps: (frequencies, 3), charge_keep, charge_gain and bleed_keep over one of its samples.
    """
    charge, gain, bleed = steps[:, 0].copy(), steps[:, 1].copy(), steps[:, 2].copy()
    start = _settled_starts(cycle_v, charge, bleed, gain)
    cycles = np.empty((steps.shape[0], cycle_v.size))
    # A few frequencies at a time, turned from steps to frequencies within the processor's nearest cache.
    some_v = np.empty((cycle_v.size, _SIDE_BY_SIDE))
    for first in range(0, start.size, _SIDE_BY_SIDE):
        last = min(first + _SIDE_BY_SIDE, start.size)
        w, charged, bled = start[first:last].copy(), charge[first:last].copy(), bleed[first:last].copy()
        for n in range(cycle_v.size):
            for f in range(w.size):
                w[f] = held_next(w[f], cycle_v[n], charged[f], bled[f])
                some_v[n, f] = w[f]
        for f in range(w.size):
            for n in range(cycle_v.size):
                cycles[first + f, n] = gain[first + f] * some_v[n, f]
    return cycles


@compiled
def seen_over(cycles: FloatArray, back: IntArray, mean: bool) -> FloatArray:
    """What a frame makes of its readings at each place of a cycle: their mean, or else the largest.

    cycles: shape (notes, samples), V, as the result. back: shape (notes, readings), by how many samples each
    reading lies back.
    """
    samples = cycles.shape[1]
    seen = np.empty_like(cycles)
    for note in range(cycles.shape[0]):
        cycle, row = cycles[note], seen[note]
        for reading in range(back.shape[1]):
            shift = back[note, reading] % samples
            for first, last, behind in ((0, shift, samples - shift), (shift, samples, -shift)):
                for n in range(first, last):
                    value = cycle[n + behind]
                    if reading == 0:
                        row[n] = value
                    elif mean:
                        row[n] += value
                    else:
                        row[n] = max(row[n], value)
        if mean:
            for n in range(samples):
                row[n] /= back.shape[1]
    return seen


@compiled
def _lightness_at(counts: float, of_count: FloatArray) -> float:
    """Between whole counts straight: a smooth curve on which a level can be found."""
    place = min(max(counts, 0.0), of_count.size - 1.0)
    low = min(int(place), of_count.size - 2)
    return float(of_count[low] + (place - low) * (of_count[low + 1] - of_count[low]))


@compiled
def _mean_lightness(scale: float, cycle: FloatArray, of_count: FloatArray) -> float:
    total = 0.0
    for i in range(0, cycle.size, _COARSE):
        total += _lightness_at(scale * cycle[i], of_count)
    return total / ((cycle.size + _COARSE - 1) // _COARSE)


@compiled
def scale_for(target: float, cycle: FloatArray, of_count: FloatArray, first: float) -> float:
    """Counts per volt at which the cycle's mean lightness is the target, to 0.01 L*; the nearer end else.

    target: L*. cycle: V. of_count: L* of each whole count. first: counts per volt to begin with.
    """
    low, high = np.log(first / 4), np.log(first * 4)
    miss_low = _mean_lightness(np.exp(low), cycle, of_count) - target
    miss_high = _mean_lightness(np.exp(high), cycle, of_count) - target
    if miss_low >= 0 or miss_high <= 0:
        return float(np.exp(low if miss_low >= 0 else high))
    for turn in range(40):
        middle = (low * miss_high - high * miss_low) / (miss_high - miss_low)
        if turn % 3 == 2:
            middle = 0.5 * (low + high)
        miss = _mean_lightness(np.exp(middle), cycle, of_count) - target
        if abs(miss) < 0.01:
            return float(np.exp(middle))
        if miss < 0:
            low, miss_low = middle, miss
        else:
            high, miss_high = middle, miss
    return float(np.exp(0.5 * (low + high)))


@compiled
def _seen(place: Places, scale: float, cycle: FloatArray, of_count: FloatArray) -> float:
    """Largest less smallest lightness over frames that read the cycle at these places, in whole counts."""
    low, high = np.inf, -np.inf
    for k in range(place.size):
        value = of_count[min(int(scale * cycle[place[k]]), of_count.size - 1)]
        low, high = min(low, value), max(high, value)
    return float(high - low)


@compiled
def bound(ratio: float, of_count: FloatArray) -> float:
    """No reading between v and ratio·v, with a mean lightness of 50, can ripple aliasing by more than this.

    L*.

    If the least reading is c, the largest is below (c + 1)·ratio; the mean lies between their lightnesses.
    """
    top = of_count.size - 1
    ratio = min(ratio, float(of_count.size))
    largest = 0.0
    first = _how_many_up_to(50.0, of_count)
    for c in range(min(first, top), -1, -1):
        high = of_count[min(int((c + 1) * ratio), top)]
        if high < 50.0 and c < top:
            break
        largest = max(largest, high - of_count[c])
    return largest


@compiled
def worse_ripple_aliasing(
    cycles: FloatArray, places: Places, of_count: FloatArray, best: float, best_at: int
) -> tuple[float, int]:
    """(largest ripple aliasing in L*, which cycle) of one table, if larger than best, else best and best_at.

    cycles: shape (frequencies, samples), V; those that cannot be worse are passed over. places: shape
    (frequencies, frames), the sample of its cycle that a frame reads.
    """
    middle_count = max(_how_many_below(50.0, of_count), 1)
    top = of_count.size - 1
    least_v, most_v, most = np.empty(cycles.shape[0]), np.empty(cycles.shape[0]), np.empty(cycles.shape[0])
    for f in range(most.size):
        least_v[f], most_v[f] = _extremes(cycles[f])
        most[f] = bound(most_v[f] / least_v[f], of_count)
    for f in range(most.size):
        if most[f] <= best:
            continue
        scale = scale_for(50.0, cycles[f], of_count, middle_count / _mean(cycles[f]))
        # All of the cycle, whether a frame reads it or not.
        if of_count[min(int(scale * most_v[f]), top)] - of_count[min(int(scale * least_v[f]), top)] <= best:
            continue
        ripple_aliasing = _seen(places[f], scale, cycles[f], of_count)
        if ripple_aliasing > best:
            best, best_at = ripple_aliasing, f
    return best, best_at
