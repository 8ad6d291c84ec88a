"""Compiled loops from pressure to rectified voltage; imported inside the functions that use them.

Each stage's step stands once, and is compiled into the loop of that stage alone and into the loops that run
several stages in one pass: side by side their recurrences wait for each other's arithmetic no longer.
"""

from __future__ import annotations

import numpy as np

from envlab.analog.kernels.stage_kernels import compiled, held_next
from envlab.units import FloatArray

Section = tuple[float, float, float]
Three = tuple[float, float, float]


@compiled
def _hear(
    x: float, limits: Three, low_corner: Section, high_corner: Section, one: float, two: float
) -> tuple[float, float, float]:
    """Limit, sensitivity and both corners; limits: (low Pa, high Pa, V/Pa). Return (V, both memories)."""
    x = limits[2] * min(max(x, limits[0]), limits[1])
    y = low_corner[0] * x + one
    one = low_corner[1] * x - low_corner[2] * y
    z = high_corner[0] * y + two
    return z, one, high_corner[1] * y - high_corner[2] * z


@compiled
def _amplify(
    x: float,
    limits: Three,
    coupling: Section,
    leg: Section,
    bandwidth: Section,
    one: float,
    two: float,
    three: float,
) -> tuple[float, int, float, float, float]:
    """Three sections, offset, then the output's limits; limits: (offset, low, high), V.

    Return (V, 1 if it is at a limit, the three memories).
    """
    v = coupling[0] * x + one
    one = coupling[1] * x - coupling[2] * v
    y = leg[0] * v + two
    two = leg[1] * v - leg[2] * y
    z = bandwidth[0] * y + three
    three = bandwidth[1] * y - bandwidth[2] * z
    z += limits[0]
    at_limit = 0
    if z > limits[2]:
        z, at_limit = limits[2], 1
    elif z < limits[1]:
        z, at_limit = limits[1], 1
    return z, at_limit, one, two, three


@compiled
def _fold(x: float, full: bool) -> float:
    return abs(x) if full else max(x, 0.0)


@compiled
def hear_block(
    pressure_pa: FloatArray, limits: Three, low_corner: Section, high_corner: Section, state: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return (V, end state); arguments as _hear. state: (2,), one memory a corner, V."""
    out = np.empty_like(pressure_pa)
    one, two = state[0], state[1]
    for n in range(pressure_pa.size):
        out[n], one, two = _hear(pressure_pa[n], limits, low_corner, high_corner, one, two)
    return out, np.array([one, two])


@compiled
def amplify_block(
    signal: FloatArray,
    limits: Three,
    coupling: Section,
    leg: Section,
    bandwidth: Section,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, int]:
    """Return (V, end state, samples at a limit). signal: shape (n,), V. state: (3,), V. Else as _amplify."""
    out = np.empty_like(signal)
    one, two, three = state[0], state[1], state[2]
    clipped = 0
    for n in range(signal.size):
        out[n], at_limit, one, two, three = _amplify(
            signal[n], limits, coupling, leg, bandwidth, one, two, three
        )
        clipped += at_limit
    return out, np.array([one, two, three]), clipped


@compiled
def amplify_rectify(
    signal: FloatArray,
    limits: Three,
    coupling: Section,
    leg: Section,
    bandwidth: Section,
    full: bool,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """Return (amplified, rectified, end state, samples at a limit), V. signal: shape (n,), V."""
    amplified, rectified = np.empty_like(signal), np.empty_like(signal)
    one, two, three = state[0], state[1], state[2]
    clipped = 0
    for n in range(signal.size):
        y, at_limit, one, two, three = _amplify(signal[n], limits, coupling, leg, bandwidth, one, two, three)
        clipped += at_limit
        amplified[n] = y
        rectified[n] = _fold(y, full)
    return amplified, rectified, np.array([one, two, three]), clipped


@compiled
def hear_amplify_rectify(
    pressure_pa: FloatArray,
    capsule: Three,
    corners: tuple[Section, Section],
    limits: Three,
    sections: tuple[Section, Section, Section],
    full: bool,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, int]:
    """Return (heard, amplified, rectified, end state, samples at a limit of the preamp), V.

    capsule: as _hear's limits. state: (5,), one memory a section, V.
    """
    heard, amplified = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    rectified = np.empty_like(pressure_pa)
    a, b, c, d, e = state[0], state[1], state[2], state[3], state[4]
    clipped = 0
    for n in range(pressure_pa.size):
        x, a, b = _hear(pressure_pa[n], capsule, corners[0], corners[1], a, b)
        heard[n] = x
        y, at_limit, c, d, e = _amplify(x, limits, sections[0], sections[1], sections[2], c, d, e)
        clipped += at_limit
        amplified[n] = y
        rectified[n] = _fold(y, full)
    return heard, amplified, rectified, np.array([a, b, c, d, e]), clipped


@compiled
def hear_to_hold(
    pressure_pa: FloatArray,
    capsule: Three,
    corners: tuple[Section, Section],
    limits: Three,
    sections: tuple[Section, Section, Section],
    full: bool,
    hold: Three,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, int]:
    """The same with the detector behind it: (heard, amplified, rectified, held, end state, at a limit), V.

    hold: (charge_keep, charge_gain, bleed_keep). state: (6,), the last one the held voltage.
    """
    heard, amplified = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    rectified, held = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    a, b, c, d, e, v = state[0], state[1], state[2], state[3], state[4], state[5]
    clipped = 0
    for n in range(pressure_pa.size):
        x, a, b = _hear(pressure_pa[n], capsule, corners[0], corners[1], a, b)
        heard[n] = x
        y, at_limit, c, d, e = _amplify(x, limits, sections[0], sections[1], sections[2], c, d, e)
        clipped += at_limit
        amplified[n] = y
        u = _fold(y, full)
        rectified[n] = u
        v = held_next(v, hold[1] * u, hold[0], hold[2])
        held[n] = v
    return heard, amplified, rectified, held, np.array([a, b, c, d, e, v]), clipped
