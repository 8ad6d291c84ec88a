"""Many boards of one design in vector lanes, each with its own front end and rectifier with amplifiers.

half_wave_front_kernels says what each board's half waves are; the step of capacitor and amplifiers is that of
half_wave_lane_kernels, leakage included. Where nothing comes up to a capacitor in a whole piece and all
amplifiers are at their lowest output, it only bleeds; without coupling capacitor and first amplifier that
shows before a sample of it is made.

In volts, of whatever name: x, v, e, leak, out; over ρ: x, noise, e. made: room for both half waves.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.diode_lane_kernels import omega_lanes
from envlab.analog.kernels.half_waves.half_wave_front_kernels import (
    BLEED,
    BLEED_PIECE,
    CAP_FIXED,
    CAP_OUT,
    CAP_SCALE,
    CAP_SHIFT,
    CHARGE,
    DOWN_ROOM,
    DRAWN,
    DROPS,
    FREE,
    GAIN,
    LEAKS_PIECE,
    LEFT,
    LEFT0,
    LIFTED,
    LIMITED,
    LOWER_OUT,
    MOST_STEP,
    NOISE_SIZE,
    OUTPUT_HIGH,
    OUTPUT_LOW,
    PER_KNEE,
    PER_LEAK,
    PER_SLOPE,
    PER_STEP,
    SAFE,
    SATURATION,
    SERIES,
    SLOPE,
    UPPER_OUT,
    Kind,
    bound_of,
    extremes_of,
    first_is_settled,
    hear,
    make_half_waves,
)  # fmt: skip
from envlab.analog.kernels.half_waves.half_wave_kernels import CONDUCTS
from envlab.analog.kernels.half_waves.half_wave_kernels import TILE as PIECE
from envlab.analog.kernels.half_waves.half_wave_lane_kernels import (
    follow_lanes,
    leak_lanes,
    offered_lanes,
    read_bleeding,
)
from envlab.analog.kernels.lane_kernels import TILE
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.tolerance_kernels import added_lanes, left_after, slow_lanes, sums_of, tile_sizes
from envlab.analog.kernels.vector_kernels import (
    LANES,
    any_above,
    either,
    everywhere,
    load,
    size_of,
    smallest,
    store,
)
from envlab.units import FloatArray, IntArray


@compiled
def _amplifier(out: Any, offered: Any, node: Any, lanes: FloatArray) -> Any:
    """One step of an amplifier with a diode in its loop: (output at its end, share in which it conducts)."""
    return follow_lanes(
        out,
        offered,
        node,
        load(lanes, OUTPUT_LOW),
        load(lanes, OUTPUT_HIGH),
        load(lanes, PER_STEP),
        load(lanes, MOST_STEP),
        load(lanes, SLOPE),
        load(lanes, PER_KNEE),
        load(lanes, SERIES),
    )


@compiled
def _charged(v: Any, bled: Any, offered: Any, share: Any, lanes: FloatArray) -> Any:
    """What a step leaves on the capacitor while an amplifier conducts for a share of it."""
    if any_above(offered - load(lanes, SAFE), 0.0):
        y = omega_lanes(load(lanes, CAP_SCALE) * (load(lanes, OUTPUT_HIGH) - v) + load(lanes, CAP_SHIFT))
        offered = min(offered, (v + load(lanes, CAP_OUT) * y) - load(lanes, CAP_FIXED))
    charged = load(lanes, CHARGE) * v + load(lanes, GAIN) * (offered - load(lanes, LIFTED))
    return bled + share * max(charged - bled, everywhere(0.0))


@compiled
def _hold(
    first: int,
    last: int,
    lanes: FloatArray,
    state: FloatArray,
    made: FloatArray,
    joined: bool,
    leak: Any,
    dropped: Any,
    due: IntArray,
    fraction: FloatArray,
    reading: int,
    out: FloatArray,
) -> int:
    """Step capacitor and amplifiers through a piece; return which reading is next."""
    nothing, conducts = everywhere(0.0), everywhere(CONDUCTS)
    bleed, low, v = load(lanes, BLEED), load(lanes, OUTPUT_LOW), load(state, 0)
    upper_out, lower_out = load(state, UPPER_OUT), load(state, LOWER_OUT)
    upper_rests, lower_rests = not any_above(upper_out - low, 0.0), not any_above(lower_out - low, 0.0)
    for n in range(first, last):
        up, down = load(made, (n - first) * LANES), load(made, DOWN_ROOM + (n - first) * LANES)
        at = v - dropped
        upper_after, upper_share, lower_share = upper_out, nothing, nothing
        if joined:
            up = max(up, down)
        # An amplifier at its lowest output stays there while what it is given is below what is held.
        if not upper_rests or any_above(up - at, 0.0):
            node = at
            if not joined:
                # Of two that would conduct the larger one holds the node, and thereby blocks the other.
                node = either(lower_out, conducts, at, either(up, down, max(at, down), at))
            upper_after, upper_share = _amplifier(upper_out, up, node, lanes)
            upper_rests = not any_above(upper_after - low, 0.0)
        if not joined and (not lower_rests or any_above(down - at, 0.0)):
            node = either(upper_out, conducts, at, either(up, down, at, max(at, up)))
            lower_out, lower_share = _amplifier(lower_out, down, node, lanes)
            lower_rests = not any_above(lower_out - low, 0.0)
        upper_out, share = upper_after, max(upper_share, lower_share)
        before = v
        v = bleed * v - leak
        if any_above(share, 0.0):
            offered = offered_lanes(upper_share, lower_share, up, down)
            v = _charged(before, v, either(nothing, share, offered, nothing), share, lanes)
        while reading < due.size and due[reading] == n:
            store(out, reading * LANES, before + everywhere(fraction[reading]) * (v - before))
            reading += 1
    store(state, 0, v)
    store(state, UPPER_OUT, upper_out)
    store(state, LOWER_OUT, lower_out)
    return reading


@compiled
def _hold_both_ways(
    first: int,
    last: int,
    lanes: FloatArray,
    state: FloatArray,
    made: FloatArray,
    due: IntArray,
    fraction: FloatArray,
    reading: int,
    out: FloatArray,
) -> int:
    """The same where the attack resistor fills and empties the capacitor."""
    keep, gain, v = load(lanes, CHARGE), load(lanes, GAIN), load(state, 0)
    for n in range(first, last):
        offered = max(load(made, (n - first) * LANES), load(made, DOWN_ROOM + (n - first) * LANES))
        before = v
        v = keep * v + gain * (offered - load(lanes, LIFTED))
        while reading < due.size and due[reading] == n:
            store(out, reading * LANES, before + everywhere(fraction[reading]) * (v - before))
            reading += 1
    store(state, 0, v)
    return reading


@compiled
def _leak(v: Any, lanes: FloatArray) -> Any:
    return leak_lanes(
        v,
        load(lanes, OUTPUT_LOW),
        load(lanes, PER_SLOPE),
        load(lanes, SATURATION),
        load(lanes, PER_LEAK),
        load(lanes, DRAWN),
    )


@compiled
def _follow_tile(
    x: FloatArray,
    quick: FloatArray,
    noise: FloatArray,
    over: FloatArray,
    lacks_sum: FloatArray,
    begin: int,
    end: int,
    free: bool,
    e: Any,
    e_end: Any,
    extremes: tuple[FloatArray, FloatArray, float],
    lanes: FloatArray,
    kind: Kind,
    state: FloatArray,
    made: FloatArray,
    due: IntArray,
    fraction: FloatArray,
    reading: int,
    out: FloatArray,
) -> int:
    """Run a group over a tile; return which reading is next.

    free: whether no lane meets a limit. lacks_sum: what the nominal limits took, of each piece.
    extremes: largest and smallest x of each piece, and largest noise.
    """
    most, least, loudest = extremes
    coupled, crosses, joined, gives = kind
    bleed, at_lowest = load(lanes, BLEED), gives and _all_at_lowest(lanes, state)
    shows_early, drift = free and not coupled, everywhere(0.0)
    begun = load(state, LEFT) - load(state, LEFT0)
    for first in range(begin, end, PIECE):
        last, v = min(first + PIECE, end), load(state, 0)
        at = e + everywhere((first - begin + 0.5 * PIECE) / TILE) * (e_end - e)
        left, left0 = load(state, LEFT), load(state, LEFT0)
        if not free:
            at = at - ((left - left0) - begun) - everywhere(0.5) * drift
        leak = _leak(v, lanes)
        dropped = load(lanes, DROPS) * leak - load(lanes, LIFTED)
        bled = load(lanes, BLEED_PIECE) * v - load(lanes, LEAKS_PIECE) * leak
        may_bleed, below = at_lowest and last - first == PIECE, min(v, bled) - dropped
        top, low = most[first // PIECE], least[first // PIECE]
        bleeds = False
        if may_bleed and shows_early:
            bleeds = not any_above(bound_of(top, low, loudest, at, lanes) - below, 0.0)
        if bleeds and crosses:
            bleeds = first_is_settled(top, low, loudest, at, lanes, state)
        if not bleeds:
            lacked = hear(x, quick, noise, over, first, last, lanes, not free, at, state, made)
            if not free:
                part = PIECE / TILE
                after, after0 = left_after(lanes, lacked, lacks_sum[first // PIECE], part, left, left0)
                drift = (after - after0) - (left - left0)
                store(state, LEFT, after)
                store(state, LEFT0, after0)
            bound = make_half_waves(last - first, lanes, kind, state, made, may_bleed, below)
            bleeds = may_bleed and not any_above(bound - below, 0.0)
        if bleeds:
            reading = read_bleeding(v, bleed, leak, first, last, reading, due, fraction, out)
            store(state, 0, bled)
        elif gives:
            reading = _hold(
                first, last, lanes, state, made, joined, leak, dropped, due, fraction, reading, out
            )
            at_lowest = _all_at_lowest(lanes, state)
        else:
            reading = _hold_both_ways(first, last, lanes, state, made, due, fraction, reading, out)
    return reading


@compiled
def _follow_group(
    x: FloatArray,
    quick: FloatArray,
    noise: FloatArray,
    over: FloatArray,
    sizes: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    extremes: tuple[FloatArray, FloatArray],
    lanes: FloatArray,
    kind: Kind,
    state: FloatArray,
    made: FloatArray,
    due: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> None:
    """Run one group over a block; set state (STATES · LANES,) and out (readings · LANES,)."""
    x_tile, noise_tile, heard_sum, over_sum, lacks_sum = sizes
    p, q = load(state, LANES), load(state, 2 * LANES)
    p0, q0 = load(state, 3 * LANES), load(state, 4 * LANES)
    nothing = everywhere(0.0)
    e_end, reading = added_lanes(lanes, p, q, p0, q0) - (load(state, LEFT) - load(state, LEFT0)), 0
    for tile in range(heard_sum.size):
        begin, end = tile * TILE, min((tile + 1) * TILE, x.size)
        left, left0 = load(state, LEFT), load(state, LEFT0)
        p, q, p0, q0 = slow_lanes(lanes, heard_sum[tile] / (end - begin), p, q, p0, q0)
        e, e_end = e_end, added_lanes(lanes, p, q, p0, q0) - (left - left0)
        free, loudest = False, 0.0
        if tile < x_tile.size:
            loudest = noise_tile[tile]
            added = max(size_of(e), size_of(e_end)) + load(lanes, NOISE_SIZE) * everywhere(loudest)
            free = smallest(load(lanes, FREE) - added) >= x_tile[tile]
            for piece in range(begin // PIECE, end // PIECE):
                free = free and lacks_sum[piece] == 0.0
        if free:
            store(state, LIMITED, load(state, LIMITED) + everywhere(over_sum[tile]))
            after, after0 = left_after(lanes, nothing, 0.0, 1.0, left, left0)
            store(state, LEFT, after)
            store(state, LEFT0, after0)
            e_end = e_end - ((after - after0) - (left - left0))
        of_tile = (*extremes, loudest)
        reading = _follow_tile(
            x, quick, noise, over, lacks_sum, begin, end, free, e, e_end, of_tile, lanes, kind, state, made,
            due, fraction, reading, out,
        )  # fmt: skip
        if not free:
            e_end = e_end - ((load(state, LEFT) - load(state, LEFT0)) - (left - left0))
    for row, vector in enumerate((p, q, p0, q0)):
        store(state, (1 + row) * LANES, vector)


@compiled
def _all_at_lowest(lanes: FloatArray, state: FloatArray) -> bool:
    highest = max(load(state, UPPER_OUT), load(state, LOWER_OUT))
    return not any_above(highest - load(lanes, OUTPUT_LOW), 0.0)


@compiled
def follow_half_wave_boards(
    nominal: tuple[FloatArray, FloatArray, FloatArray],
    noise: FloatArray,
    heard: FloatArray,
    over: FloatArray,
    lanes: FloatArray,
    board: IntArray,
    kind: Kind,
    state: FloatArray,
    made: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    read_v: FloatArray,
) -> None:
    """Run groups over a block; set state (groups, STATES · LANES) and read_v (boards, readings).

    As tolerance_kernels.follow_boards. nominal: (x, quick, lacks), the preamp's output before offset and
    limits, the same before its bandwidth, what its limits take, each of shape (n,) in V. noise, heard: V,
    over: 1 or 0, shape (n,). upper: rising indices; fraction: 0 to 1, how far from the step before.
    kind: as Kind says. made: shape (ROOM,).
    """
    x, quick, lacks = nominal
    x_tile = tile_sizes(x)[1]
    noise_tile = tile_sizes(noise)[1] if noise.size else np.zeros_like(x_tile)
    sizes = (x_tile, noise_tile, sums_of(heard, TILE), sums_of(over, TILE), sums_of(lacks, PIECE))
    extremes = extremes_of(x)
    read = np.empty(upper.size * LANES)
    for g in range(lanes.shape[0]):
        group = lanes[g].reshape(-1)
        _follow_group(
            x, quick, noise, over, sizes, extremes, group, kind, state[g], made, upper, fraction, read
        )  # fmt: skip
        for lane in range(LANES):
            for reading in range(upper.size):
                read_v[board[g, lane], reading] = read[reading * LANES + lane]
