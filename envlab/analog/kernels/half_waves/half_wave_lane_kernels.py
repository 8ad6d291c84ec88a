"""Many hold capacitors behind rectifiers with amplifiers, side by side in the processor's vector lanes.

half_wave_step_kernels has the step, and what is spared of it. Where in a whole tile no half wave comes up to
any capacitor, and all amplifiers have run to their lowest output, nothing but bleed happens, and eight
samples are one multiply and add. That is so most of the time.
"""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels.half_waves.half_wave_bleed_kernels import (
    LONG,
    dropped_of,
    extremes_of,
    far_leak_of,
    leak_of,
    left_far,
    read_bleeding,
)
from envlab.analog.kernels.half_waves.half_wave_kernels import TILE
from envlab.analog.kernels.half_waves.half_wave_step_kernels import (
    at_lowest,
    hold_both,
    hold_side,
    is_free,
)
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.vector_kernels import (
    LANES,
    Doubles,
    Singles,
    address,
    any_above,
    load,
    narrow,
    single,
    store,
    wide,
)
from envlab.units import FloatArray, IntArray, SingleArray

_LOWER = TILE * LANES
# Rows of a group in doubles: what bleeding leaves in a step and in a tile, and how often a tile takes the
# leakage of a step; what bleeding leaves and takes from far_v on, in a tile and in LONG of them.
_BLEED, _BLEED_TILE, _LEAKS_TILE, _FAR_KEEP, _FAR_TAKES, _LONG_KEEP, _LONG_TAKES = (
    LANES * row for row in range(7)
)


@compiled
def _spread(half_wave: Singles, first: int, last: int, drive: Singles, place: int) -> None:
    """Set in drive what all lanes are given."""
    for n in range(first, last):
        store(drive, place + (n - first) * LANES, single(half_wave[n]))


@compiled
def _hold_group(  # noqa: PLR0912, PLR0915 -- one loop: parts of it would hand a dozen vectors to and fro
    upper: tuple[SingleArray, SingleArray, SingleArray],
    lower: tuple[SingleArray, SingleArray, SingleArray],
    rows: Singles,
    lanes: Doubles,
    state: Doubles,
    drive: Singles,
    due: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> None:
    """Run one group over a block; set state (3·LANES,) and out (readings · LANES,).

    upper, lower: a half wave, then its largest and its smallest in each tile, V. drive: room for both half
    waves of a tile.
    """
    up, up_most, up_least = address(upper[0]), address(upper[1]), address(upper[2])
    down, down_most, down_least = address(lower[0]), address(lower[1]), address(lower[2])
    samples, tiles = upper[0].size, upper[1].size
    readings = address(due), address(fraction), address(out), due.size
    bleed, bleed_tile, leaks_tile = load(lanes, _BLEED), load(lanes, _BLEED_TILE), load(lanes, _LEAKS_TILE)
    v, upper_out, lower_out = load(state, 0), narrow(load(state, LANES)), narrow(load(state, 2 * LANES))
    upper_rests, lower_rests, reading = at_lowest(upper_out, rows), at_lowest(lower_out, rows), 0
    tile, far = -1, False
    while tile + 1 < tiles:
        tile += 1
        first, last, held = tile * TILE, min(tile * TILE + TILE, samples), narrow(v)
        if tile % LONG == 0:
            end = (tile + LONG) * TILE
            least_held, far = left_far(held, rows)
            far = far and end <= samples
            if far and upper_rests and lower_rests and (reading >= due.size or due[reading] >= end):
                top = max(up_most[tile], down_most[tile])
                for k in range(tile + 1, tile + LONG):
                    top = max(top, up_most[k], down_most[k])
                below = min(held, least_held) - dropped_of(far_leak_of(held, rows), rows)
                if not any_above(single(top) - below, 0.0):
                    v = load(lanes, _LONG_KEEP) * v - load(lanes, _LONG_TAKES)
                    tile += LONG - 1
                    continue
        if far:
            leak = far_leak_of(held, rows)
            bled = load(lanes, _FAR_KEEP) * v - load(lanes, _FAR_TAKES)
        else:
            leak = leak_of(held, rows)
            bled = bleed_tile * v - leaks_tile * wide(leak)
        dropped = dropped_of(leak, rows)
        node, below = held - dropped, min(held, narrow(bled)) - dropped
        whole = last - first == TILE
        most, lower_most = single(up_most[tile]), single(down_most[tile])
        up_works = not upper_rests or any_above(most - below, 0.0)
        down_works = not lower_rests or any_above(lower_most - below, 0.0)
        # One half wave alone, and that far from its amplifier's end.
        alone = whole and up_works != down_works
        if alone:
            side, side_out, least = most, upper_out, up_least[tile]
            if down_works:
                side, side_out, least = lower_most, lower_out, down_least[tile]
            alone = is_free(side, node, rows)
        if whole and not up_works and not down_works:
            reading = read_bleeding(v, bleed, wide(leak), first, last, readings, reading)
            v = bled
        elif alone:
            if up_works:
                _spread(up, first, last, drive, 0)
            else:
                _spread(down, first, last, drive, 0)
            v, side_out, reading = hold_side(
                first, last, drive, 0, side, single(least), side_out, rows, v, leak, bled, readings, reading
            )
            if up_works:
                upper_out, upper_rests = side_out, at_lowest(side_out, rows)
            else:
                lower_out, lower_rests = side_out, at_lowest(side_out, rows)
        else:
            _spread(up, first, last, drive, 0)
            _spread(down, first, last, drive, _LOWER)
            v, upper_out, lower_out, reading = hold_both(
                first, last, drive, _LOWER, False, upper_out, lower_out, rows, v, leak, bled,
                readings, reading,
            )  # fmt: skip
            upper_rests, lower_rests = at_lowest(upper_out, rows), at_lowest(lower_out, rows)
    store(state, 0, v)
    store(state, LANES, wide(upper_out))
    store(state, 2 * LANES, wide(lower_out))


@compiled
def hold_lanes(
    upper: SingleArray,
    lower: SingleArray,
    rows: SingleArray,
    lanes: FloatArray,
    start: FloatArray,
    due: IntArray,
    fraction: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Run all groups over a block that begins with a tile; return (v at the readings, state at the end).

    upper, lower: both half waves, shape (n,), V. rows: shape (groups, STEPS, LANES). lanes: shape (groups, 3,
    LANES): share that bleeding leaves in a step and in a tile, and how often a tile takes the leakage of a
    step. start: shape (groups, 3, LANES): held, outputs of the upper and the lower amplifier. due: rising
    indices at which a reading lies between output due − 1 and due; fraction: how far towards due. v at the
    readings: shape (groups, readings, LANES).
    """
    state = start.copy()
    ups, downs = (upper, *extremes_of(upper)), (lower, *extremes_of(lower))
    read_v, drive = np.empty((lanes.shape[0], due.size, LANES)), np.empty(2 * _LOWER, np.float32)
    for g in range(lanes.shape[0]):
        out = read_v[g].reshape(-1)
        group, numbers, held = address(rows[g]), address(lanes[g]), address(state[g])
        _hold_group(ups, downs, group, numbers, held, address(drive), due, fraction, out)
    return read_v, state
