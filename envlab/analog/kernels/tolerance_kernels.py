"""Many boards of one design in vector lanes: each with its own gain, limits, slow corners and detector.

The nominal board's preamp output before its limits, x, is there already. A board's own, over its gain ρ
against the nominal board's, is

    y/ρ = x + κ·n + e,

n what of x is the preamp's own noise, which does not grow with the microphone's sensitivity (κ, 0 where that
is nominal), and e its offset over ρ and what its coupling and ground leg take away differently. These two
move slowly: with p the voltage across the input capacitor and q across the ground leg's, per volt of nominal
microphone, dp/dt = ω_p·(m − p), dq/dt = ω_q·(m − p − q),

    e = offset/ρ − gain₀·((p − p₀) + h·q − h₀·q₀),    h = 1 − 1/gain,

gain₀, h₀, p₀ and q₀ those of the nominal board. They are followed tile by tile with the tile's mean of m, and
stand still for a strip: for nominal parts they cancel to the last bit. Then the output's limits. What these
take of the output, d, is missing in the ground leg's capacitor, and −c is what that adds to the output
afterwards: dc/dt = ω_q·(h·d − c), followed tile by tile too; e has c₀ − c, as x has the nominal board's −c₀.
Then the rectifier, and the detector as in lane_kernels, whose reasoning for passing over tiles holds for the
drive's bound here. Rectifier and detector scale with what they are given: all volts stay over ρ until they
are read.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.lane_kernels import STRIP, STRIPS, TILE
from envlab.analog.kernels.stage_kernels import compiled, held_next
from envlab.analog.kernels.vector_kernels import (
    LANES,
    above,
    any_above,
    either,
    everywhere,
    lesser,
    load,
    size_of,
    smallest,
    store,
)
from envlab.units import FloatArray, IntArray

# Rows of a group's lanes, and where each begins. The first six are those of hold_groups; volts are over ρ.
ROWS = (
    *("charge", "bleed", "stay", "lost_in_strip", "lost_in_tile", "charge_gain"),
    *("noise", "noise_size", "offset_v", "low_v", "high_v", "free_v"),
    *("slow_p", "slow_q", "nominal_p", "nominal_q", "nominal_gain", "leg", "nominal_leg"),
)
_CHARGE, _BLEED, _STAY, _LOST_IN_STRIP, _LOST_IN_TILE = (LANES * row for row in range(5))
_NOISE, _NOISE_SIZE, _OFFSET, _LOW, _HIGH, _FREE = (LANES * row for row in range(6, 12))
_SLOW_P, _SLOW_Q, _NOMINAL_P, _NOMINAL_Q, _GAIN, _LEG, _NOMINAL_LEG = (LANES * row for row in range(12, 19))
# Rows of a group's state: detector, the four slow voltages, samples at a limit, what clipping left in the
# leg of the board and of the nominal one.
STATES = 8


@compiled
def tile_sizes(signal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Largest size of each strip and of each tile, whole tiles only; in the units of the signal."""
    tiles = signal.size // TILE
    of_strip, of_tile = np.zeros(tiles * STRIPS), np.zeros(tiles)
    for strip in range(of_strip.size):
        n = strip * STRIP
        a, b, c, d = 0.0, 0.0, 0.0, 0.0
        for k in range(n, n + STRIP, 4):
            a, b = max(a, abs(signal[k])), max(b, abs(signal[k + 1]))
            c, d = max(c, abs(signal[k + 2])), max(d, abs(signal[k + 3]))
        of_strip[strip] = max(a, b, c, d)
        of_tile[strip // STRIPS] = max(of_tile[strip // STRIPS], of_strip[strip])
    return of_strip, of_tile


@compiled
def sums_of(signal: FloatArray, length: int) -> FloatArray:
    """Sum of each stretch of so many samples, the last one perhaps not whole; in the signal's unit.

    Each is summed in the order of its samples, eight of them side by side: a sum waits for the one before it.
    """
    sums = np.zeros((signal.size + length - 1) // length)
    aside = signal.size // (8 * length) * 8
    for first in range(0, aside, 8):
        n = first * length
        a, b, c, d, e, f, g, h = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(n, n + length):
            a, b = a + signal[k], b + signal[k + length]
            c, d = c + signal[k + 2 * length], d + signal[k + 3 * length]
            e, f = e + signal[k + 4 * length], f + signal[k + 5 * length]
            g, h = g + signal[k + 6 * length], h + signal[k + 7 * length]
        for stretch, total in enumerate((a, b, c, d, e, f, g, h)):
            sums[first + stretch] = total
    for n in range(aside * length, signal.size):
        sums[n // length] += signal[n]
    return sums


@compiled
def _steps(
    x: FloatArray,
    quick: FloatArray,
    noise: FloatArray,
    over: FloatArray,
    first: int,
    last: int,
    lanes: FloatArray,
    full: bool,
    counts: bool,
    e: Any,
    w: Any,
    limited: Any,
    upper: IntArray,
    fraction: FloatArray,
    reading: int,
    out: FloatArray,
    lacked: Any,
) -> tuple[Any, Any, int, Any]:
    """Step from first to before last and read between two steps.

    Return w, limited, which reading is next, and lacked with all that limits took of the output.
    e: what is added to every output meanwhile. counts: whether a lane may meet a limit.
    """
    charge, bleed, own_noise = load(lanes, _CHARGE), load(lanes, _BLEED), load(lanes, _NOISE)
    low_v, high_v = load(lanes, _LOW), load(lanes, _HIGH)
    zero = everywhere(0.0)
    n = first
    while n < last:
        due = upper[reading] if reading < upper.size else last
        before = w
        for k in range(n, min(due + 1, last)):
            more = e
            if noise.size:
                more = e + own_noise * everywhere(noise[k])
            y = everywhere(x[k]) + more
            if counts:
                # An output at a limit leaves it as soon as the loop wants it back, whatever its bandwidth.
                at_once = everywhere(quick[k]) + more
                outside = max(above(lesser(y, at_once), high_v), above(low_v, max(y, at_once)))
                limited = limited + max(everywhere(over[k]), outside)
                lowest = either(y, low_v, max(at_once, low_v), y)
                y = either(high_v, y, lesser(at_once, high_v), lowest)
                lacked = lacked + outside * (y - at_once)
            u = size_of(y) if full else max(y, zero)
            before = w
            w = held_next(w, u, charge, bleed)
        if due < last:
            while reading < upper.size and upper[reading] == due:
                store(out, reading * LANES, before + everywhere(fraction[reading]) * (w - before))
                reading += 1
        n = due + 1
    return w, limited, reading, lacked


@compiled
def none_lacks(lacks_sum: FloatArray, tile: int) -> bool:
    """Whether the nominal limits took nothing in a tile; lacks_sum: of each strip, V."""
    for strip in range(tile * STRIPS, min((tile + 1) * STRIPS, lacks_sum.size)):
        if lacks_sum[strip] != 0.0:
            return False
    return True


@compiled
def slow_lanes(
    lanes: FloatArray, heard_v: float, p: Any, q: Any, p0: Any, q0: Any
) -> tuple[Any, Any, Any, Any]:
    """The slow voltages a tile later; heard_v: the tile's mean."""
    heard, half = everywhere(heard_v), everywhere(0.5)
    p_end = p + load(lanes, _SLOW_P) * (heard - p)
    p0_end = p0 + load(lanes, _NOMINAL_P) * (heard - p0)
    q_end = q + load(lanes, _SLOW_Q) * (heard - half * (p + p_end) - q)
    q0_end = q0 + load(lanes, _NOMINAL_Q) * (heard - half * (p0 + p0_end) - q0)
    return p_end, q_end, p0_end, q0_end


@compiled
def left_after(
    lanes: FloatArray, lacked: Any, lacks: float, tiles: float, left: Any, left0: Any
) -> tuple[Any, Any]:
    """What clipping has left in the leg of a board and of the nominal one after a part of a tile.

    lacked, lacks: what the limits took of the two outputs in that part, summed over its samples, V. tiles:
    the part, up to 1: so little of the leg's time constant that a straight line will do.
    """
    part, samples = everywhere(tiles), everywhere(1.0 / (tiles * TILE))
    wanted = load(lanes, _LEG) * (lacked * samples)
    wanted0 = load(lanes, _NOMINAL_LEG) * (everywhere(lacks) * samples)
    after = left + part * load(lanes, _SLOW_Q) * (wanted - left)
    return after, left0 + part * load(lanes, _NOMINAL_Q) * (wanted0 - left0)


@compiled
def added_lanes(lanes: FloatArray, p: Any, q: Any, p0: Any, q0: Any) -> Any:
    """e of the equation above."""
    slow = (p - p0) + (load(lanes, _LEG) * q - load(lanes, _NOMINAL_LEG) * q0)
    return load(lanes, _OFFSET) - load(lanes, _GAIN) * slow


@compiled
def _follow_group(  # noqa: PLR0912 -- one loop: parts of it would hand a dozen vectors to and fro
    x: FloatArray,
    quick: FloatArray,
    noise: FloatArray,
    over: FloatArray,
    sizes: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray],
    lanes: FloatArray,
    full: bool,
    state: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    out: FloatArray,
) -> None:
    """Run one group over a block; set state (STATES · LANES,) and out (readings · LANES,)."""
    x_strip, x_tile, noise_tile, heard_sum, over_sum, lacks_sum = sizes
    charge, bleed = load(lanes, _CHARGE), load(lanes, _BLEED)
    stay, free_v, noise_size = load(lanes, _STAY), load(lanes, _FREE), load(lanes, _NOISE_SIZE)
    lost_in_strip, lost_in_tile = load(lanes, _LOST_IN_STRIP), load(lanes, _LOST_IN_TILE)
    lasts = smallest(everywhere(0.5) - lost_in_tile) > 0.0
    w, p, q = load(state, 0), load(state, LANES), load(state, 2 * LANES)
    p0, q0, limited = load(state, 3 * LANES), load(state, 4 * LANES), load(state, 5 * LANES)
    left, left0 = load(state, 6 * LANES), load(state, 7 * LANES)
    e_end, reading = added_lanes(lanes, p, q, p0, q0) - (left - left0), 0
    remembers = any_above(size_of(left), 0.0) or any_above(size_of(left0), 0.0)
    for tile in range(heard_sum.size):
        first, end = tile * TILE, min((tile + 1) * TILE, x.size)
        p, q, p0, q0 = slow_lanes(lanes, heard_sum[tile] / (end - first), p, q, p0, q0)
        e, e_end = e_end, added_lanes(lanes, p, q, p0, q0) - (left - left0)
        begun, drift = left - left0, everywhere(0.0)
        due = upper[reading] if reading < upper.size else x.size
        free, bleeds_below = False, -1.0
        if tile < x_tile.size:
            # |y|/ρ ≤ |x| + added: so up to which |x| no lane meets a limit, and up to which none is charged.
            added = max(size_of(e), size_of(e_end)) + noise_size * everywhere(noise_tile[tile])
            free = smallest(free_v - added) >= x_tile[tile] and none_lacks(lacks_sum, tile)
            if free:
                limited = limited + everywhere(over_sum[tile])
            if free and remembers:
                left, left0 = left_after(lanes, everywhere(0.0), 0.0, 1.0, left, left0)
                e_end = e_end - ((left - left0) - begun)
            if free and lasts:
                bleeds_below = smallest(stay * w - added)
                if due >= end and x_tile[tile] <= bleeds_below:
                    w = w - lost_in_tile * w
                    continue
        for start in range(first, end, STRIP):
            stop = min(start + STRIP, end)
            due = upper[reading] if reading < upper.size else x.size
            if due >= stop and bleeds_below >= 0.0 and x_strip[start // STRIP] <= bleeds_below:
                w = w - lost_in_strip * w
                continue
            # What moves slowly stands for the strip at its middle.
            at = e + everywhere((start - first + 0.5 * STRIP) / TILE) * (e_end - e)
            if not free:
                at = at - ((left - left0) - begun) - everywhere(0.5) * drift
            if free and full and due >= stop and not noise.size:
                # The commonest strip, written out: a call for each would cost as much as a few steps.
                for k in range(np.uint64(start), np.uint64(stop)):
                    w = held_next(w, size_of(everywhere(x[k]) + at), charge, bleed)
                continue
            w, limited, reading, lacked = _steps(
                x,
                quick,
                noise,
                over,
                start,
                stop,
                lanes,
                full,
                not free,
                at,
                w,
                limited,
                upper,
                fraction,
                reading,
                out,
                everywhere(0.0),
            )
            if not free:
                before = left - left0
                lacks = lacks_sum[start // STRIP]
                left, left0 = left_after(lanes, lacked, lacks, 1.0 / STRIPS, left, left0)
                drift, remembers = (left - left0) - before, True
        if not free:
            e_end = e_end - ((left - left0) - begun)
    for row, vector in enumerate((w, p, q, p0, q0, limited, left, left0)):
        store(state, row * LANES, vector)


@compiled
def follow_boards(
    nominal: tuple[FloatArray, FloatArray, FloatArray],
    noise: FloatArray,
    heard: FloatArray,
    over: FloatArray,
    lanes: FloatArray,
    board: IntArray,
    full: bool,
    state: FloatArray,
    upper: IntArray,
    fraction: FloatArray,
    read_v: FloatArray,
) -> None:
    """Run groups over a block; set state (groups, STATES · LANES) and read_v (boards, readings).

    nominal: (x, the nominal preamp's output before offset and limits, V round bias; the same before its
    bandwidth; what its limits take). noise: its part that is the preamp's own noise, of no samples where that
    is too small to tell from the rest. heard: nominal microphone, V, with that noise. over: 1 where the
    microphone is overloaded, else 0. All of shape (n,). fraction: 0 to 1.
    lanes: (groups, len(ROWS), LANES). board: (groups, LANES), whose lane it is. upper: indices, rising.
    """
    x, quick, lacks = nominal
    x_strip, x_tile = tile_sizes(x)
    noise_tile = tile_sizes(noise)[1] if noise.size else np.zeros_like(x_tile)
    sizes = (x_strip, x_tile, noise_tile, sums_of(heard, TILE), sums_of(over, TILE), sums_of(lacks, STRIP))
    w_read = np.empty(upper.size * LANES)
    for g in range(lanes.shape[0]):
        group = lanes[g].reshape(-1)
        _follow_group(x, quick, noise, over, sizes, group, full, state[g], upper, fraction, w_read)
        for lane in range(LANES):
            for reading in range(upper.size):
                read_v[board[g, lane], reading] = lanes[g, 5, lane] * w_read[reading * LANES + lane]
