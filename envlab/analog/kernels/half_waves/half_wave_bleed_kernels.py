"""What bleeds from hold capacitors behind rectifiers with amplifiers, and where their numbers stand.

In volts, of whatever name: v, leak, dropped, fall, drain. rows: of one group, as STEPS names them.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from envlab.analog.kernels.half_waves.half_wave_kernels import MOST_U, TILE
from envlab.analog.kernels.stage_kernels import compiled
from envlab.analog.kernels.vector_kernels import (
    LANES,
    Doubles,
    Integers,
    Singles,
    any_above,
    everywhere,
    load,
    single,
    store,
)
from envlab.units import SingleArray

# Rising sample indices at which is read; how far from the step before, 0 to 1; room for V, LANES a reading;
# how many readings these are.
Readings = tuple[Integers, Doubles, Doubles, int]
# Pieces that are looked at together, whether they all bleed.
LONG = 8
# Rows of a group in singles: what rectifiers.half_wave_circuit gives; what the release resistor takes of what
# is held in a step of charging, and in one of bleeding, which is too little beside 1 to be told from keep and
# bleed; from which held voltage on a diode's leakage has reached its saturation, what a step then leaks at
# the lowest output, and what LONG pieces of bleeding then leave and take.
STEPS = (
    *("keep", "gain", "bleed", "low", "high", "per_step", "most_step", "slope", "per_knee", "series"),
    *("per_slope", "saturation", "per_leak", "drawn"),
    *("safe", "cap_scale", "cap_shift", "cap_out", "cap_fixed"),
    *("drops", "lifted", "release_takes", "bleeding_takes", "far_v", "far_leak", "far_keep", "far_takes"),
)
(
    _KEEP, GAIN, BLEED, LOW, HIGH, PER_STEP, MOST_STEP, SLOPE, PER_KNEE, SERIES, _PER_SLOPE,
    _SATURATION, _PER_LEAK, _DRAWN, SAFE, CAP_SCALE, CAP_SHIFT, CAP_OUT, CAP_FIXED, _DROPS, _LIFTED,
    _RELEASE_TAKES, _BLEEDING_TAKES, _FAR_V, _FAR_LEAK, _FAR_KEEP, _FAR_TAKES,
) = (LANES * row for row in range(len(STEPS)))  # fmt: skip


@compiled
def leak_of(v: Any, rows: Singles) -> Any:
    """As half_wave_kernels.leak_v, in singles."""
    across = v - load(rows, LOW)
    u = min(max(across * load(rows, _PER_SLOPE), single(0.0)), single(MOST_U))
    r = (single(1.0) - u * single(1.0 / 16.0)) + u * u * single(1.0 / 512.0)
    r2 = r * r
    r4 = r2 * r2
    r8 = r4 * r4
    drawn = load(rows, _DRAWN) + load(rows, _SATURATION) * (single(1.0) - r8 * r8)
    return drawn + across * load(rows, _PER_LEAK)


@compiled
def dropped_of(leak: Any, rows: Singles) -> Any:
    """How far the node lies below what is held: what leaks comes through the attack resistor."""
    return load(rows, _DROPS) * leak - load(rows, _LIFTED)


@compiled
def far_leak_of(v: Any, rows: Singles) -> Any:
    """As leak_of, from far_v on: what leaks at saturation, and what lies across the diodes."""
    return load(rows, _FAR_LEAK) + (v - load(rows, LOW)) * load(rows, _PER_LEAK)


@compiled
def left_far(v: Any, rows: Singles) -> tuple[Any, bool]:
    """What LONG pieces of bleeding leave, and whether it then still is far_v or more in all lanes."""
    least = load(rows, _FAR_KEEP) * v - load(rows, _FAR_TAKES)
    return least, not any_above(load(rows, _FAR_V) - min(v, least), 0.0)


@compiled
def takes_of(v: Any, leak: Any, rows: Singles) -> tuple[Any, Any]:
    """Return fall and drain of a piece that begins at v."""
    drain = load(rows, GAIN) * (load(rows, _DROPS) * leak) + load(rows, _RELEASE_TAKES) * v
    return load(rows, _BLEEDING_TAKES) * v + leak, drain


@compiled
def charging_keeps(rows: Singles) -> Any:
    """What a step of charging leaves of d, besides what flows through the attack resistor."""
    return single(1.0) - load(rows, _RELEASE_TAKES)


@compiled
def read_bleeding(
    v: Any,
    bleed: Any,
    leak: Any,
    first: int,
    last: int,
    readings: Readings,
    reading: int,
) -> int:
    """Set what is read from first to before last while the capacitors only bleed; return the next reading."""
    n = first
    due, fraction, out, count = readings
    while reading < count and due[reading] < last:
        while n < due[reading]:
            v = bleed * v - leak
            n += 1
        now = bleed * v - leak
        store(out, reading * LANES, v + everywhere(fraction[reading]) * (now - v))
        reading += 1
    return reading


@compiled
def extremes_of(signal: SingleArray) -> tuple[SingleArray, SingleArray]:
    """Largest and smallest of each piece, the last one perhaps not whole; in the units of the signal."""
    tiles = (signal.size + TILE - 1) // TILE
    high, low = np.empty(tiles, np.float32), np.empty(tiles, np.float32)
    for tile in range(tiles):
        most, least = signal[tile * TILE], signal[tile * TILE]
        for n in range(tile * TILE, min(tile * TILE + TILE, signal.size)):
            most, least = max(most, signal[n]), min(least, signal[n])
        high[tile], low[tile] = most, least
    return high, low
