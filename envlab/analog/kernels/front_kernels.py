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
Five = tuple[float, float, float, float, float]


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
def _wanted(
    x: float, coupling: Section, leg: Section, bandwidth: Section, one: float, two: float, three: float
) -> tuple[float, float, float, float, float]:
    """Three sections, as if the output had no limits.

    Return (V above rest before the bandwidth, V above rest, the three memories).
    """
    v = coupling[0] * x + one
    one = coupling[1] * x - coupling[2] * v
    y = leg[0] * v + two
    two = leg[1] * v - leg[2] * y
    z = bandwidth[0] * y + three
    three = bandwidth[1] * y - bandwidth[2] * z
    return y, z, one, two, three


@compiled
def _within(y: float, z: float, limits: Five, two: float, three: float) -> tuple[float, float, float]:
    """Offset, then the output's limits; return (V, memories of leg and bandwidth).

    limits: (offset, low, high), V; what each volt that the output lacks leaves in the leg's memory; what of
    an output at a limit, above rest, is the bandwidth's memory. An output at a limit stands still, and the
    leg's capacitor is charged by it as it is.
    """
    z += limits[0]
    if z > limits[2] or z < limits[1]:
        z = min(max(z, limits[1]), limits[2])
        rise = z - limits[0]
        two, three = two + limits[3] * (rise - y), limits[4] * rise
    return z, two, three


@compiled
def _at_limits(volts: FloatArray, limits: Five) -> int:
    """How many samples are at a limit; counted in the loop that makes them, it would take a third longer."""
    count = 0
    for n in range(volts.size):
        count += volts[n] >= limits[2] or volts[n] <= limits[1]
    return count


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
def drain(
    open_v: FloatArray, limits: tuple[float, float], share: float, q: float, state: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return (V at an electret's drain, end state); open_v: shape (n,), V without load and limits.

    limits: (lowest drain, highest open_v), V. share: of a quick voltage that the load leaves. q: half a step
    over the load's time constant. state: (on the load's capacitor, at the drain last), V.
    """
    out = np.empty_like(open_v)
    coupled, before = state[0], state[1]
    keep, take, rest = (1.0 - q) / (1.0 + q), q / (1.0 + q), 1.0 - share
    scale = 1.0 / (1.0 - take * rest)
    for n in range(open_v.size):
        offered = share * min(open_v[n], limits[1])
        kept = keep * coupled + take * before
        after = (kept + take * offered) * scale
        y = offered + rest * after
        if y < limits[0]:
            y = limits[0]
            after = kept + take * y
        coupled, before = after, y
        out[n] = y
    return out, np.array([coupled, before])


@compiled
def amplify_block(
    signal: FloatArray,
    limits: Five,
    coupling: Section,
    leg: Section,
    bandwidth: Section,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, int]:
    """Return (V, end state, samples at a limit). signal: (n,), V. state: (3,), V. limits: as _within."""
    out = np.empty_like(signal)
    one, two, three = state[0], state[1], state[2]
    for n in range(signal.size):
        y, z, one, two, three = _wanted(signal[n], coupling, leg, bandwidth, one, two, three)
        out[n], two, three = _within(y, z, limits, two, three)
    return out, np.array([one, two, three]), _at_limits(out, limits)


@compiled
def _apart(
    x: float,
    limits: Five,
    coupling: Section,
    leg: Section,
    bandwidth: Section,
    one: float,
    two: float,
    three: float,
    endless: float,
) -> tuple[float, float, float, float, float, float, float]:
    """One step of amplify_apart: (above rest, before its bandwidth, what limits take, the four memories)."""
    y, z, one, two, three = _wanted(x, coupling, leg, bandwidth, one, two, three)
    beyond = bandwidth[0] * y + endless
    endless = bandwidth[1] * y - bandwidth[2] * beyond
    out, two, three = _within(y, z, limits, two, three)
    free, quick, lacks = z, y, 0.0
    if out != z + limits[0]:
        upper = out == limits[2]
        free = max(z, beyond) if upper else min(z, beyond)
        quick = max(y, z) if upper else min(y, z)
        lacks = out - limits[0] - quick
    return free, quick, lacks, one, two, three, endless


@compiled
def amplify_apart(
    signal: FloatArray,
    limits: Five,
    coupling: Section,
    leg: Section,
    bandwidth: Section,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The same amplifier, told apart from its limits.

    Return (V above rest that it would give, the same before its bandwidth, what limits take, end state).

    The capacitors remember what the output did before. Where it is at a limit, its bandwidth goes on as if
    there were none: what a board with wider limits would then give. signal: shape (n,), V. state: (4,), V,
    the last the bandwidth's memory without limits. limits: as _within.
    """
    free, quick, lacks = np.empty_like(signal), np.empty_like(signal), np.empty_like(signal)
    one, two, three, endless = state[0], state[1], state[2], state[3]
    for n in range(signal.size):
        free[n], quick[n], lacks[n], one, two, three, endless = _apart(
            signal[n], limits, coupling, leg, bandwidth, one, two, three, endless
        )
    return free, quick, lacks, np.array([one, two, three, endless])


@compiled
def hear_amplify_apart(
    pressure_pa: FloatArray,
    white: FloatArray,
    weights_v: tuple[float, float],
    capsule: Three,
    corners: tuple[Section, Section],
    limits: Five,
    sections: tuple[Section, Section, Section],
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Microphone, the preamp's noise and amplify_apart in one loop: (heard with noise, V, then its four).

    white, weights_v: as coloured takes them; no numbers for no noise. capsule: as _hear's limits. state:
    (6,), the microphone's two memories, V, then those of amplify_apart.
    """
    heard, free = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    quick, lacks = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    a, b, one, two, three, endless = state[0], state[1], state[2], state[3], state[4], state[5]
    for n in range(pressure_pa.size):
        x, a, b = _hear(pressure_pa[n], capsule, corners[0], corners[1], a, b)
        if white.size:
            x += _noise(white, n, weights_v[0], weights_v[1])
        heard[n] = x
        free[n], quick[n], lacks[n], one, two, three, endless = _apart(
            x, limits, sections[0], sections[1], sections[2], one, two, three, endless
        )
    return heard, free, quick, lacks, np.array([a, b, one, two, three, endless])


@compiled
def _noise(white: FloatArray, n: int, now: float, before: float) -> float:
    return float(now * white[n + 1] - before * white[n])


@compiled
def coloured(white: FloatArray, now: float, before: float) -> FloatArray:
    """White numbers of variance 1, white, shape (n + 1,), to noise, V, shape (n,).

    now: what each counts, V. before: what is taken off of the one before it, V.
    """
    out = np.empty(white.size - 1)
    for n in range(out.size):
        out[n] = _noise(white, n, now, before)
    return out


@compiled
def amplify_rectify(
    signal: FloatArray,
    noise: FloatArray,
    limits: Five,
    sections: tuple[Section, Section, Section],
    full: bool,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """Return (amplified, rectified, end state, samples at a limit), V. signal: shape (n,), V.

    noise: shape (n,), V at the preamp's input, or no samples for none.
    """
    amplified, rectified = np.empty_like(signal), np.empty_like(signal)
    one, two, three = state[0], state[1], state[2]
    for n in range(signal.size):
        x = signal[n] + noise[n] if noise.size else signal[n]
        y, z, one, two, three = _wanted(x, sections[0], sections[1], sections[2], one, two, three)
        y, two, three = _within(y, z, limits, two, three)
        amplified[n] = y
        rectified[n] = _fold(y, full)
    return amplified, rectified, np.array([one, two, three]), _at_limits(amplified, limits)


@compiled
def _amplified(
    x: float,
    noise_v: float,
    capsule: Three,
    corners: tuple[Section, Section],
    limits: Five,
    sections: tuple[Section, Section, Section],
    memories: Five,
) -> tuple[float, float, Five]:
    """One step of microphone and preamp: (heard, amplified, the five memories), V; noise_v: at its input."""
    a, b, c, d, e = memories
    heard, a, b = _hear(x, capsule, corners[0], corners[1], a, b)
    y, z, c, d, e = _wanted(heard + noise_v, sections[0], sections[1], sections[2], c, d, e)
    y, d, e = _within(y, z, limits, d, e)
    return heard, y, (a, b, c, d, e)


@compiled
def hear_amplify(
    pressure_pa: FloatArray,
    noise: FloatArray,
    capsule: Three,
    corners: tuple[Section, Section],
    limits: Five,
    sections: tuple[Section, Section, Section],
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, int]:
    """Return (heard, amplified, end state, samples at a limit of the preamp), V.

    noise: shape (n,), V at the preamp's input, or no samples for none. The rest as hear_amplify_rectify.
    """
    heard, amplified = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    memories = (state[0], state[1], state[2], state[3], state[4])
    for n in range(pressure_pa.size):
        noise_v = noise[n] if noise.size else 0.0
        heard[n], amplified[n], memories = _amplified(
            pressure_pa[n], noise_v, capsule, corners, limits, sections, memories
        )
    return heard, amplified, np.array(memories), _at_limits(amplified, limits)


@compiled
def hear_amplify_rectify(
    pressure_pa: FloatArray,
    noise: FloatArray,
    capsule: Three,
    corners: tuple[Section, Section],
    limits: Five,
    sections: tuple[Section, Section, Section],
    full: bool,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, int]:
    """Return (heard, amplified, rectified, end state, samples at a limit of the preamp), V.

    noise: shape (n,), V at the preamp's input, or no samples for none. capsule: as _hear's limits. state:
    (5,), one memory a section, V.
    """
    heard, amplified = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    rectified = np.empty_like(pressure_pa)
    memories = (state[0], state[1], state[2], state[3], state[4])
    for n in range(pressure_pa.size):
        noise_v = noise[n] if noise.size else 0.0
        heard[n], y, memories = _amplified(
            pressure_pa[n], noise_v, capsule, corners, limits, sections, memories
        )
        amplified[n], rectified[n] = y, _fold(y, full)
    return heard, amplified, rectified, np.array(memories), _at_limits(amplified, limits)


@compiled
def hear_to_hold(
    pressure_pa: FloatArray,
    noise: FloatArray,
    capsule: Three,
    corners: tuple[Section, Section],
    limits: Five,
    sections: tuple[Section, Section, Section],
    full: bool,
    hold: Three,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, int]:
    """The same with the detector behind it: (heard, amplified, rectified, held, end state, at a limit), V.

    noise: shape (n,), V, or no samples. hold: (charge_keep, charge_gain, bleed_keep). state: (6,), the last
    one the held voltage.
    """
    heard, amplified = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    rectified, held = np.empty_like(pressure_pa), np.empty_like(pressure_pa)
    memories, v = (state[0], state[1], state[2], state[3], state[4]), state[5]
    for n in range(pressure_pa.size):
        noise_v = noise[n] if noise.size else 0.0
        heard[n], y, memories = _amplified(
            pressure_pa[n], noise_v, capsule, corners, limits, sections, memories
        )
        amplified[n] = y
        u = _fold(y, full)
        rectified[n] = u
        v = held_next(v, hold[1] * u, hold[0], hold[2])
        held[n] = v
    return heard, amplified, rectified, held, np.array((*memories, v)), _at_limits(amplified, limits)
