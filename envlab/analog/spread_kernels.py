"""Many boards of one design in vector lanes: each with its own gain, limits, slow corners and detector.

The nominal board's preamp output before its limits, x, is there already. A board's own is

    y = ρ·x + κ·n + e,

ρ its gain over the nominal one, n what of x is the preamp's own noise, which does not grow with the
microphone's sensitivity (κ, 0 where the microphone is nominal), and e its offset and what its coupling and
ground leg take away differently. These two move slowly: with p the voltage across the input capacitor and q
across the ground leg's, per volt of nominal microphone, dp/dt = ω_p·(m − p), dq/dt = ω_q·(m − p − q),

    e = offset − a·((p − p₀) + h·q − h₀·q₀),    h = 1 − 1/gain, a = gain·sensitivity over the nominal one's,

p₀ and q₀ those of the nominal board. They are followed tile by tile with the tile's mean of m, and go
straight in between: for nominal parts they cancel to the last bit. Then the output's limits, the rectifier,
and the detector as in lane_kernels, whose reasoning for passing over tiles holds for the drive's bound here.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels import compiled
from envlab.analog.lane_kernels import STRIP, STRIPS, TILE
from envlab.analog.vector_kernels import LANES, everywhere, intrinsic, lane_vector, load, smallest, store
from envlab.units import FloatArray, IntArray

# Rows of a group's lanes. The first six are those of hold_groups.
ROWS = (
    *("charge", "bleed", "stay", "lost_in_strip", "lost_in_tile", "charge_gain"),
    *("ratio", "noise_ratio", "noise_size", "offset_v", "low_v", "high_v", "most_v", "free_v"),
    *("slow_p", "slow_q", "nominal_p", "nominal_q", "amount", "leg", "nominal_leg"),
)
# Rows of a group's state: detector, the four slow voltages, samples at a limit.
STATES = 6


@intrinsic
def lesser(_typing: Any, one: Any, other: Any) -> Any:
    """Return in each lane the smaller of two numbers."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.select(builder.fcmp_ordered("<", *arguments), *arguments)

    return lane_vector(one, other), emit


@intrinsic
def above(_typing: Any, one: Any, other: Any) -> Any:
    """Return 1 in each lane in which one is above other, else 0."""

    def emit(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.uitofp(builder.fcmp_ordered(">", *arguments), arguments[0].type)

    return lane_vector(one, other), emit


@compiled
def _sizes(signal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Largest size of each strip and of each tile, whole tiles only."""
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
def _tile_sums(signal: FloatArray) -> FloatArray:
    """Sum of each tile, the last one perhaps not whole."""
    sums = np.zeros((signal.size + TILE - 1) // TILE)
    for n in range(signal.size):
        sums[n // TILE] += signal[n]
    return sums


@compiled
def _steps(
    x: FloatArray,
    noise: FloatArray,
    over: FloatArray,
    first: int,
    last: int,
    lanes: FloatArray,
    full: bool,
    counts: bool,
    e: Any,
    rise: Any,
    w: Any,
    limited: Any,
    upper: IntArray,
    fraction: FloatArray,
    reading: int,
    out: FloatArray,
) -> tuple[Any, Any, int]:
    """Step from first to before last and read between two steps; return w, limited, which reading is next.

    e, rise: what is added at first, and by how much it grows a step. counts: whether a lane may meet a limit.
    """
    charge, bleed = load(lanes, 0), load(lanes, LANES)
    ratio, noise_ratio = load(lanes, 6 * LANES), load(lanes, 7 * LANES)
    low_v, high_v = load(lanes, 10 * LANES), load(lanes, 11 * LANES)
    zero = everywhere(0.0)
    n = first
    while n < last:
        due = upper[reading] if reading < upper.size else last
        before = w
        for k in range(n, min(due + 1, last)):
            y = ratio * everywhere(x[k]) + (noise_ratio * everywhere(noise[k]) + e)
            e = e + rise
            if counts:
                outside = max(above(y, high_v), above(low_v, y))
                limited = limited + max(everywhere(over[k]), outside)
                y = lesser(max(y, low_v), high_v)
            u = max(y, zero - y) if full else max(y, zero)
            before = w
            w = max(bleed * w, charge * w + u)
        if due < last:
            while reading < upper.size and upper[reading] == due:
                store(out, reading * LANES, before + everywhere(fraction[reading]) * (w - before))
                reading += 1
        n = due + 1
    return w, limited, reading


@compiled
def _slow(lanes: FloatArray, heard_v: float, p: Any, q: Any, p0: Any, q0: Any) -> tuple[Any, Any, Any, Any]:
    """The slow voltages a tile later; heard_v: the tile's mean."""
    heard, half = everywhere(heard_v), everywhere(0.5)
    p_end = p + load(lanes, 14 * LANES) * (heard - p)
    p0_end = p0 + load(lanes, 16 * LANES) * (heard - p0)
    q_end = q + load(lanes, 15 * LANES) * (heard - half * (p + p_end) - q)
    q0_end = q0 + load(lanes, 17 * LANES) * (heard - half * (p0 + p0_end) - q0)
    return p_end, q_end, p0_end, q0_end


@compiled
def _added(lanes: FloatArray, p: Any, q: Any, p0: Any, q0: Any) -> Any:
    """e of the equation above."""
    slow = (p - p0) + (load(lanes, 19 * LANES) * q - load(lanes, 20 * LANES) * q0)
    return load(lanes, 9 * LANES) - load(lanes, 18 * LANES) * slow


@compiled
def _largest(lanes: FloatArray, x: float, noise: float, added: Any) -> Any:
    """No output of a stretch is larger than this."""
    noise_size, ratio = load(lanes, 8 * LANES), load(lanes, 6 * LANES)
    return ratio * everywhere(x) + (noise_size * everywhere(noise) + added)


@compiled
def _follow_group(
    x: FloatArray,
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
    x_strip, x_tile, noise_strip, noise_tile, heard_sum, over_sum = sizes
    stay, most_v, free_v = load(lanes, 2 * LANES), load(lanes, 12 * LANES), load(lanes, 13 * LANES)
    lost_in_strip, lost_in_tile = load(lanes, 3 * LANES), load(lanes, 4 * LANES)
    lasts = smallest(everywhere(0.5) - lost_in_tile) > 0.0
    w, p, q = load(state, 0), load(state, LANES), load(state, 2 * LANES)
    p0, q0, limited = load(state, 3 * LANES), load(state, 4 * LANES), load(state, 5 * LANES)
    zero, reading = everywhere(0.0), 0
    for tile in range(heard_sum.size):
        first, end = tile * TILE, min((tile + 1) * TILE, x.size)
        e = _added(lanes, p, q, p0, q0)
        p, q, p0, q0 = _slow(lanes, heard_sum[tile] / (end - first), p, q, p0, q0)
        e_end = _added(lanes, p, q, p0, q0)
        rise = everywhere(1.0 / TILE) * (e_end - e)
        start_size, end_size = max(e, zero - e), max(e_end, zero - e_end)
        size = max(start_size, end_size)
        bound, free = stay * w, False
        if tile < x_tile.size:
            largest = _largest(lanes, x_tile[tile], noise_tile[tile], size)
            free = smallest(free_v - largest) >= 0.0
            due = upper[reading] if reading < upper.size else x.size
            if free:
                limited = limited + everywhere(over_sum[tile])
                if lasts and due >= end and smallest(bound - lesser(largest, most_v)) >= 0.0:
                    w = w - lost_in_tile * w
                    continue
        if tile >= x_tile.size or not lasts:
            w, limited, reading = _steps(
                x, noise, over, first, end, lanes, full, not free, e, rise, w, limited, upper, fraction,
                reading, out,
            )  # fmt: skip
            continue
        for strip in range(tile * STRIPS, (tile + 1) * STRIPS):
            start, stop = strip * STRIP, (strip + 1) * STRIP
            due = upper[reading] if reading < upper.size else x.size
            largest = _largest(lanes, x_strip[strip], noise_strip[strip], size)
            if free and due >= stop and smallest(bound - lesser(largest, most_v)) >= 0.0:
                w = w - lost_in_strip * w
            else:
                at = e + everywhere(float(start - first)) * rise
                w, limited, reading = _steps(
                    x, noise, over, start, stop, lanes, full, not free, at, rise, w, limited, upper, fraction,
                    reading, out,
                )  # fmt: skip
    for row, vector in enumerate((w, p, q, p0, q0, limited)):
        store(state, row * LANES, vector)


@compiled
def follow_boards(
    x: FloatArray,
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

    x, noise: nominal preamp output before offset and limits, V round bias, and its part that is the preamp's
    own noise. heard: nominal microphone, V, with that noise. over: 1 where the microphone is overloaded, else
    0. All of shape (n,). lanes: (groups, len(ROWS), LANES). board: (groups, LANES), whose lane it is.
    """
    x_strip, x_tile = _sizes(x)
    noise_strip, noise_tile = _sizes(noise)
    sizes = (x_strip, x_tile, noise_strip, noise_tile, _tile_sums(heard), _tile_sums(over))
    w_read = np.empty(upper.size * LANES)
    for g in range(lanes.shape[0]):
        group = lanes[g].reshape(-1)
        _follow_group(x, noise, over, sizes, group, full, state[g], upper, fraction, w_read)
        for lane in range(LANES):
            for reading in range(upper.size):
                read_v[board[g, lane], reading] = lanes[g, 5, lane] * w_read[reading * LANES + lane]
