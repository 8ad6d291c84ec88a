"""Many boards of one design behind a passive diode, in vector lanes.

What a board's preamp does differently is that of tolerance_kernels, and comes a piece at a time as its own
volts (hear in half_wave_front_kernels); from there the step is that of diode_lane_kernels. A diode leaks, so
that no piece can be passed over.

In volts, of whatever name: x, made, v, across; over ρ, the board's gain against the nominal one: x, at.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.diode_lane_kernels import omega_lanes
from envlab.analog.kernels.half_waves.half_wave_front_kernels import (
    FREE,
    LEFT,
    LEFT0,
    LIMITED,
    NOISE_SIZE,
    hear,
)
from envlab.analog.kernels.half_waves.half_wave_kernels import TILE as PIECE
from envlab.analog.kernels.lane_kernels import TILE
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.tolerance_kernels import ROWS as FRONT_ROWS
from envlab.analog.kernels.tolerance_kernels import STATES as FRONT_STATES
from envlab.analog.kernels.tolerance_kernels import (
    added_lanes,
    left_after,
    slow_lanes,
    sums_of,
    tile_sizes,
)
from envlab.analog.kernels.vector_kernels import LANES, everywhere, load, size_of, smallest, store
from envlab.units import FloatArray, IntArray

# Rows of a group's lanes: those of tolerance_kernels, the first six of which are not used; the gain over the
# nominal one, as hear wants it; what stands above the reference node; the numbers of diode_lane_kernels.
DIODE_NUMBERS = 13
ROWS = (*FRONT_ROWS, "ratio", "lifted_v", *(f"diode {n}" for n in range(DIODE_NUMBERS)))
_LIFTED = LANES * ROWS.index("lifted_v")
_DIODE = LANES * ROWS.index("diode 0")
# Rows of a group's state: those of tolerance_kernels, the first of them the held voltage; then what stands
# across the coupling capacitor.
STATES = FRONT_STATES + 1
_ACROSS = LANES * FRONT_STATES
# Room for the outputs of a piece.
ROOM = PIECE * LANES


@compiled
def _hold(
    first: int,
    last: int,
    lanes: FloatArray,
    full: bool,
    state: FloatArray,
    made: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    reading: int,
    out: FloatArray,
) -> int:
    """Step through a piece whose outputs stand in made; return which reading is next."""
    at = _DIODE
    passed, x0 = load(lanes, at), load(lanes, at + LANES)
    x_of_v, x_of_offered = load(lanes, at + 2 * LANES), load(lanes, at + 3 * LANES)
    most, v_fixed = load(lanes, at + 4 * LANES), load(lanes, at + 5 * LANES)
    v_of_v, v_of_offered = load(lanes, at + 6 * LANES), load(lanes, at + 7 * LANES)
    v_of_y, moves = load(lanes, at + 8 * LANES), load(lanes, at + 9 * LANES)
    across_fixed, across_of_y = load(lanes, at + 10 * LANES), load(lanes, at + 11 * LANES)
    leaked_back, lifted = load(lanes, at + 12 * LANES), load(lanes, _LIFTED)
    v, across = load(state, 0), load(state, _ACROSS)
    for n in range(first, last):
        signal = load(made, (n - first) * LANES)
        if full:
            signal = size_of(signal)
        signal = signal + lifted
        before = v
        offered = passed * (signal - across) + leaked_back * v
        y = min(omega_lanes(x_of_v * v + (x_of_offered * offered + x0)), most)
        v = (v_of_v * v + (v_of_offered * offered + v_fixed)) + v_of_y * y
        across = (across + moves * (signal - offered - across)) + (across_of_y * y + across_fixed)
        while reading < upper.size and upper[reading] == n:
            store(out, reading * LANES, before + everywhere(fraction[reading]) * (v - before))
            reading += 1
    store(state, 0, v)
    store(state, _ACROSS, across)
    return reading


@compiled
def _follow_tile(
    nominal: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    lacks_sum: FloatArray,
    begin: int,
    end: int,
    free: bool,
    e: Any,
    e_end: Any,
    lanes: FloatArray,
    full: bool,
    state: FloatArray,
    made: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    reading: int,
    out: FloatArray,
) -> int:
    """Run a group over a tile; return which reading is next. free: whether no lane meets a limit."""
    x, quick, noise, over = nominal
    drift, begun = everywhere(0.0), load(state, LEFT) - load(state, LEFT0)
    for first in range(begin, end, PIECE):
        last = min(first + PIECE, end)
        at = e + everywhere((first - begin + 0.5 * PIECE) / TILE) * (e_end - e)
        left, left0 = load(state, LEFT), load(state, LEFT0)
        if not free:
            at = at - ((left - left0) - begun) - everywhere(0.5) * drift
        lacked = hear(x, quick, noise, noise.size > 0, over, first, last, lanes, not free, at, state, made)
        if not free:
            after, after0 = left_after(lanes, lacked, lacks_sum[first // PIECE], PIECE / TILE, left, left0)
            drift = (after - after0) - (left - left0)
            store(state, LEFT, after)
            store(state, LEFT0, after0)
        reading = _hold(first, last, lanes, full, state, made, upper, fraction, reading, out)
    return reading


@compiled
def _follow_group(
    nominal: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    sizes: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    lanes: FloatArray,
    full: bool,
    state: FloatArray,
    made: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> None:
    """Run one group over a block; set state (STATES · LANES,) and out (readings · LANES,)."""
    x_tile, noise_tile, heard_sum, over_sum, lacks_sum = sizes
    p, q = load(state, LANES), load(state, 2 * LANES)
    p0, q0 = load(state, 3 * LANES), load(state, 4 * LANES)
    e_end, reading = added_lanes(lanes, p, q, p0, q0) - (load(state, LEFT) - load(state, LEFT0)), 0
    for tile in range(heard_sum.size):
        begin, end = tile * TILE, min((tile + 1) * TILE, nominal[0].size)
        left, left0 = load(state, LEFT), load(state, LEFT0)
        p, q, p0, q0 = slow_lanes(lanes, heard_sum[tile] / (end - begin), p, q, p0, q0)
        e, e_end = e_end, added_lanes(lanes, p, q, p0, q0) - (left - left0)
        free = False
        if tile < x_tile.size:
            added = max(size_of(e), size_of(e_end)) + load(lanes, NOISE_SIZE) * everywhere(noise_tile[tile])
            free = smallest(load(lanes, FREE) - added) >= x_tile[tile]
            for piece in range(begin // PIECE, end // PIECE):
                free = free and lacks_sum[piece] == 0.0
        if free:
            store(state, LIMITED, load(state, LIMITED) + everywhere(over_sum[tile]))
            after, after0 = left_after(lanes, everywhere(0.0), 0.0, 1.0, left, left0)
            store(state, LEFT, after)
            store(state, LEFT0, after0)
            e_end = e_end - ((after - after0) - (left - left0))
        reading = _follow_tile(
            nominal, lacks_sum, begin, end, free, e, e_end, lanes, full, state, made, upper, fraction,
            reading, out,
        )  # fmt: skip
        if not free:
            e_end = e_end - ((load(state, LEFT) - load(state, LEFT0)) - (left - left0))
    for row, vector in enumerate((p, q, p0, q0)):
        store(state, (1 + row) * LANES, vector)


@compiled
def follow_diode_boards(
    nominal: tuple[FloatArray, FloatArray, FloatArray],
    noise: FloatArray,
    heard: FloatArray,
    over: FloatArray,
    lanes: FloatArray,
    full: bool,
    state: FloatArray,
    made: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    read_v: FloatArray,
) -> None:
    """Run groups over a block; set state (groups, STATES · LANES) and read_v (groups, readings, LANES).

    As tolerance_kernels.follow_boards. nominal: (x, quick, lacks), the preamp's output before offset and
    limits, the same before its bandwidth, what its limits take, each of shape (n,) in V. noise, heard: V,
    over: 1 or 0, shape (n,). full: whether the wave is folded. made: shape (ROOM,). upper: rising indices;
    fraction: 0 to 1, how far from the step before.
    """
    x, quick, lacks = nominal
    x_tile = tile_sizes(x)[1]
    noise_tile = tile_sizes(noise)[1] if noise.size else np.zeros_like(x_tile)
    sizes = (x_tile, noise_tile, sums_of(heard, TILE), sums_of(over, TILE), sums_of(lacks, PIECE))
    for g in range(lanes.shape[0]):
        group, out = lanes[g].reshape(-1), read_v[g].reshape(-1)
        _follow_group(
            (x, quick, noise, over), sizes, group, full, state[g], made, upper, fraction, out
        )  # fmt: skip
