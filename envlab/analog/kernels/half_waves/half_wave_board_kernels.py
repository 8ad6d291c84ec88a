"""Many boards of one design in vector lanes, each with its own front end and rectifier with amplifiers.

half_wave_front_kernels says what each board's half waves are; the step of capacitor and amplifiers is that of
half_wave_step_kernels. Where nothing comes up to a capacitor in a whole piece and all amplifiers are at their
lowest output, it only bleeds; without coupling capacitor and first amplifier that shows before a sample of it
is made.

In volts, of whatever name: x, v, e, leak, out; over ρ: x, noise, e. made, drive: room for both half waves.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.half_waves.half_wave_bleed_kernels import (
    Readings,
    dropped_of,
    extremes_of,
    far_leak_of,
    leak_of,
    left_far,
    read_bleeding,
)
from envlab.analog.kernels.half_waves.half_wave_front_kernels import (
    BLEED,
    BLEED_PIECE,
    CHARGE,
    DOWN_ROOM,
    FAR_KEEP,
    FAR_TAKES,
    FREE,
    GAIN,
    LEAKS_PIECE,
    LEFT,
    LEFT0,
    LIFTED,
    LIMITED,
    LONG_KEEP,
    LONG_TAKES,
    LOWER_OUT,
    NOISE_SIZE,
    UPPER_OUT,
    Group,
    Heard,
    Kind,
    Room,
    Signals,
    bottoms_of,
    first_is_settled,
    hear_lower,
    hear_upper,
    make_in_full,
    tops_of,
)
from envlab.analog.kernels.half_waves.half_wave_kernels import TILE as PIECE
from envlab.analog.kernels.half_waves.half_wave_step_kernels import (
    at_lowest,
    hold_both,
    hold_side,
    is_free,
)
from envlab.analog.kernels.lane_kernels import TILE
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.tolerance_kernels import added_lanes, left_after, slow_lanes, sums_of, tile_sizes
from envlab.analog.kernels.vector_kernels import (
    LANES,
    Doubles,
    Singles,
    address,
    any_above,
    everywhere,
    load,
    narrow,
    single,
    size_of,
    smallest,
    store,
    wide,
)
from envlab.units import FloatArray, IntArray, SingleArray


@compiled
def _hold_both_ways(
    first: int,
    last: int,
    lanes: Doubles,
    v: Any,
    made: Doubles,
    readings: Readings,
    reading: int,
) -> tuple[Any, int]:
    """Follow a piece where the attack resistor fills and empties the capacitor; return (v, next reading)."""
    keep, gain, lifted = load(lanes, CHARGE), load(lanes, GAIN), load(lanes, LIFTED)
    due, fraction, out, count = readings
    for n in range(first, last):
        offered = max(load(made, (n - first) * LANES), load(made, DOWN_ROOM + (n - first) * LANES))
        before = v
        v = keep * v + gain * (offered - lifted)
        while reading < count and due[reading] == n:
            store(out, reading * LANES, before + everywhere(fraction[reading]) * (v - before))
            reading += 1
    return v, reading


@compiled
def _bleeds_through(
    heard: Heard,
    begin: int,
    end: int,
    loudest: float,
    e: Any,
    e_end: Any,
    held: Any,
    least_held: Any,
    rows: Singles,
) -> bool:
    """Whether nothing comes up to any capacitor in a whole tile, all of it from far_v on.

    least_held: what bleeding leaves of held by its end.
    """
    _, _, most, least = heard
    top, bottom = most[begin // PIECE], least[begin // PIECE]
    for piece in range(begin // PIECE + 1, end // PIECE):
        top, bottom = max(top, most[piece]), min(bottom, least[piece])
    upper, _ = tops_of(top, bottom, loudest, max(e, e_end), rows)
    _, lower = tops_of(top, bottom, loudest, min(e, e_end), rows)
    below = min(held, least_held) - dropped_of(far_leak_of(held, rows), rows)
    return not any_above(max(upper, lower) - below, 0.0)


@compiled
def _follow_side(
    upper: bool,
    heard: Heard,
    noisy: bool,
    first: int,
    loudest: float,
    at: Any,
    most: Any,
    out: Any,
    rows: Singles,
    drive: Singles,
    v: Any,
    leak: Any,
    bled: Any,
    readings: Readings,
    reading: int,
) -> Any:
    """As hold_side, of the upper or of the lower amplifier."""
    x, noise, x_most, x_least = heard
    last, piece = first + PIECE, first // PIECE
    least, down_least = bottoms_of(x_most[piece], x_least[piece], loudest, at, rows)
    place = 0
    if upper:
        hear_upper(x, noise, noisy, first, last, at, rows, drive)
    else:
        least, place = down_least, DOWN_ROOM
        hear_lower(x, noise, noisy, first, last, at, rows, drive)
    return hold_side(first, last, drive, place, most, least, out, rows, v, leak, bled, readings, reading)


@compiled
def _follow_tile(  # noqa: PLR0912, PLR0915 -- one loop: parts of it would hand a dozen vectors to and fro
    signals: Signals,
    heard: Heard,
    lacks_sum: Doubles,
    loudest: float,
    begin: int,
    end: int,
    free: bool,
    e: Any,
    e_end: Any,
    group: Group,
    kind: Kind,
    room: Room,
    readings: Readings,
    reading: int,
) -> int:
    """Run a group over a tile; return which reading is next.

    free: whether no lane meets a limit. lacks_sum: what the nominal limits took, of each piece. loudest:
    noise.
    """
    noisy, due, count = signals[4], readings[0], readings[3]
    x, noise, most, least = heard
    lanes, rows, state = group
    made, drive = room
    coupled, crosses, joined, gives = kind
    # Whether half waves can be made without what only doubles can hold: both, or one alone.
    plain, far = free and gives and not coupled and not crosses, False
    bleed, v, drift = load(lanes, BLEED), load(state, 0), everywhere(0.0)
    upper_out, lower_out = narrow(load(state, UPPER_OUT)), narrow(load(state, LOWER_OUT))
    upper_rests, lower_rests = at_lowest(upper_out, rows), at_lowest(lower_out, rows)
    begun, e_, de_ = load(state, LEFT) - load(state, LEFT0), narrow(e), narrow(e_end - e)
    if plain and end - begin == TILE:
        least_held, far = left_far(narrow(v), rows)
        unread = reading >= count or due[reading] >= end
        if far and upper_rests and lower_rests and unread:
            held = narrow(v)
            if _bleeds_through(heard, begin, end, loudest, e_, e_ + de_, held, least_held, rows):
                store(state, 0, load(lanes, LONG_KEEP) * v - load(lanes, LONG_TAKES))
                return reading
    for first in range(begin, end, PIECE):
        last, held = min(first + PIECE, end), narrow(v)
        whole, piece = last - first == PIECE, first // PIECE
        at = e_ + single((first - begin + 0.5 * PIECE) / TILE) * de_
        if not free:
            left = load(state, LEFT) - load(state, LEFT0)
            at = at - narrow((left - begun) + everywhere(0.5) * drift)
        if far:
            leak = far_leak_of(held, rows)
            bled = load(lanes, FAR_KEEP) * v - load(lanes, FAR_TAKES)
        else:
            leak = leak_of(held, rows)
            bled = load(lanes, BLEED_PIECE) * v - load(lanes, LEAKS_PIECE) * wide(leak)
        dropped = dropped_of(leak, rows)
        node, below = held - dropped, min(held, narrow(bled)) - dropped
        upper, lower = tops_of(most[piece], least[piece], loudest, at, rows)
        may_bleed = whole and gives and upper_rests and lower_rests
        up_works = not plain or not upper_rests or any_above(upper - below, 0.0)
        down_works = not plain or not lower_rests or any_above(lower - below, 0.0)
        bleeds = may_bleed and not up_works and not down_works
        if crosses and free and not coupled and may_bleed:
            bleeds = not any_above(max(upper, lower) - below, 0.0) and first_is_settled(
                most[piece], least[piece], loudest, wide(at), lanes, state
            )
        # One half wave alone, and that far from its amplifier's end.
        alone = plain and whole and not joined and up_works != down_works
        if alone:
            side, side_out = upper, upper_out
            if down_works:
                side, side_out = lower, lower_out
            alone = is_free(side, node, rows)
        if bleeds:
            pass
        elif alone:
            v, side_out, reading = _follow_side(
                up_works, heard, noisy, first, loudest, at, side, side_out, rows, drive, v, leak, bled,
                readings, reading,
            )  # fmt: skip
            if up_works:
                upper_out, upper_rests = side_out, at_lowest(side_out, rows)
            else:
                lower_out, lower_rests = side_out, at_lowest(side_out, rows)
            continue
        elif plain:
            hear_upper(x, noise, noisy, first, last, at, rows, drive)
            hear_lower(x, noise, noisy, first, last, at, rows, drive)
        else:
            bound, drift = make_in_full(
                signals, lacks_sum[piece], first, last, free, wide(at), drift, group, kind, room, may_bleed,
                wide(below),
            )  # fmt: skip
            bleeds = may_bleed and not any_above(bound - wide(below), 0.0)
        if bleeds:
            if reading < count and due[reading] < last:
                reading = read_bleeding(v, bleed, wide(leak), first, last, readings, reading)
            v = bled
        elif gives:
            v, upper_out, lower_out, reading = hold_both(
                first, last, drive, DOWN_ROOM, joined, upper_out, lower_out, rows, v, leak, bled, readings,
                reading,
            )  # fmt: skip
            upper_rests, lower_rests = at_lowest(upper_out, rows), at_lowest(lower_out, rows)
        else:
            v, reading = _hold_both_ways(first, last, lanes, v, made, readings, reading)
    store(state, 0, v)
    store(state, UPPER_OUT, wide(upper_out))
    store(state, LOWER_OUT, wide(lower_out))
    return reading


@compiled
def _follow_group(
    signals: Signals,
    heard: Heard,
    sizes: tuple[Doubles, Doubles, Doubles, Doubles, Doubles],
    samples: int,
    group: Group,
    kind: Kind,
    room: Room,
    readings: Readings,
) -> None:
    """Run one group over a block of so many samples; set its state (STATES · LANES,) and the readings."""
    x_tile, noise_tile, heard_sum, over_sum, lacks_sum = sizes
    lanes, _, state = group
    p, q = load(state, LANES), load(state, 2 * LANES)
    p0, q0 = load(state, 3 * LANES), load(state, 4 * LANES)
    nothing = everywhere(0.0)
    left, left0 = load(state, LEFT), load(state, LEFT0)
    e_end, reading = added_lanes(lanes, p, q, p0, q0) - (left - left0), 0
    # Whether a limit left anything in the leg of a board or of the nominal one.
    remembers = any_above(size_of(left), 0.0) or any_above(size_of(left0), 0.0)
    for tile in range((samples + TILE - 1) // TILE):
        begin, end = tile * TILE, min((tile + 1) * TILE, samples)
        left, left0 = load(state, LEFT), load(state, LEFT0)
        p, q, p0, q0 = slow_lanes(lanes, heard_sum[tile] / (end - begin), p, q, p0, q0)
        e, e_end = e_end, added_lanes(lanes, p, q, p0, q0) - (left - left0)
        free, loudest = False, 0.0
        if end - begin == TILE:
            loudest = noise_tile[tile]
            added = max(size_of(e), size_of(e_end)) + load(lanes, NOISE_SIZE) * everywhere(loudest)
            free = smallest(load(lanes, FREE) - added) >= x_tile[tile]
            for piece in range(begin // PIECE, end // PIECE):
                free = free and lacks_sum[piece] == 0.0
        if free and over_sum[tile] > 0.0:
            store(state, LIMITED, load(state, LIMITED) + everywhere(over_sum[tile]))
        if free and remembers:
            after, after0 = left_after(lanes, nothing, 0.0, 1.0, left, left0)
            store(state, LEFT, after)
            store(state, LEFT0, after0)
            e_end = e_end - ((after - after0) - (left - left0))
        reading = _follow_tile(
            signals, heard, lacks_sum, loudest, begin, end, free, e, e_end, group, kind, room, readings,
            reading,
        )  # fmt: skip
        if not free:
            e_end, remembers = e_end - ((load(state, LEFT) - load(state, LEFT0)) - (left - left0)), True
    for row, vector in enumerate((p, q, p0, q0)):
        store(state, (1 + row) * LANES, vector)


@compiled
def follow_half_wave_boards(
    signals: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    single_signals: tuple[SingleArray, SingleArray],
    lacks: FloatArray,
    heard: FloatArray,
    lanes: FloatArray,
    rows: SingleArray,
    board: IntArray,
    kind: Kind,
    state: FloatArray,
    room: tuple[FloatArray, SingleArray],
    due: IntArray,
    fraction: FloatArray,
    read_v: FloatArray,
) -> None:
    """Run groups over a block; set state (groups, STATES · LANES) and read_v (boards, readings).

    As tolerance_kernels.follow_boards. signals: (x, quick, noise, over): the nominal preamp's output before
    offset and limits, the same before its bandwidth, noise, in V, and where it was over a limit, 1 or 0; each
    of shape (n,), noise perhaps of none. single_signals: x and noise. lacks: what the nominal limits take;
    heard: V; shape (n,). due: rising indices; fraction: 0 to 1, how far from the step before. kind: as Kind
    says. room: shape (ROOM,) each.
    """
    x, quick, noise, over = signals
    x_, noise_ = single_signals
    x_tile = tile_sizes(x)[1]
    noise_tile = tile_sizes(noise)[1] if noise.size else np.zeros_like(x_tile)
    heard_sum, over_sum, lacks_sum = sums_of(heard, TILE), sums_of(over, TILE), sums_of(lacks, PIECE)
    most, least = extremes_of(x_)
    read = np.empty(due.size * LANES)
    readings = address(due), address(fraction), address(read), due.size
    for g in range(lanes.shape[0]):
        _follow_group(
            (address(x), address(quick), address(noise), address(over), noise.size > 0),
            (address(x_), address(noise_), address(most), address(least)),
            (address(x_tile), address(noise_tile), address(heard_sum), address(over_sum), address(lacks_sum)),
            x.size,
            (address(lanes[g]), address(rows[g]), address(state[g])),
            kind,
            (address(room[0]), address(room[1])),
            readings,
        )
        for lane in range(LANES):
            for reading in range(due.size):
                read_v[board[g, lane], reading] = read[reading * LANES + lane]
