"""Compiled loops of band filter and board preamp; imported inside the functions that use them.

signal: shape (n,), V round the bias, at the internal rate; every result is in V too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from envlab.files.compiling import compiled_with
from envlab.units import FloatArray

# Without fused multiply-adds: an unrolled loop fuses its odd and even turns differently, and a block cut at
# an odd sample would then differ from the whole in its last bit.
compiled: Callable[..., Any] = compiled_with(nogil=True, error_model="numpy")


SLEW_TURNS = 16


@compiled
def second_order(
    signal: FloatArray, section: FloatArray, one: float, two: float
) -> tuple[FloatArray, float, float]:
    """One section (b0, b1, b2, a1, a2), transposed direct form II with the memories one and two, V."""
    out = np.empty_like(signal)
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[3], section[4]
    for n in range(signal.size):
        x = signal[n]
        y = b0 * x + one
        one = b1 * x - a1 * y + two
        two = b2 * x - a2 * y
        out[n] = y
    return out, one, two


@compiled
def _turn(x: float, before: float, state: FloatArray, constants: FloatArray) -> tuple[bool, bool]:
    """One step of a stage, from input before to input x; changes state; (slope limited, output at a limit).

    state: (input capacitor, leg capacitor, output, half a step times the output's slope), V. constants: as
    _constants makes them.
    """
    keep, take, fall, follow, loop, solve = (
        constants[0], constants[1], constants[2], constants[3], constants[4], constants[5],
    )  # fmt: skip
    gain, bias_drop_v, offset_v, half_step_v = constants[6], constants[7], constants[8], constants[9]
    across = keep * state[0] + take * (x + before + 2.0 * bias_drop_v)
    z, moving = state[2], state[3]
    seen = gain * (x - across + offset_v)
    held = fall * state[1] + follow * z
    wanted = (z + moving + loop * (seen - (gain - 1.0) * held)) * solve
    slope = loop * (seen - (gain - 1.0) * (held + follow * wanted) - wanted)
    limited = min(max(slope, -half_step_v), half_step_v)
    new = wanted if limited == slope else z + moving + limited
    moving = limited
    at_limit = new >= constants[11] or new <= constants[10]
    if at_limit:
        new, moving = min(max(new, constants[10]), constants[11]), 0.0
    state[0], state[1], state[2], state[3] = across, held + follow * new, new, moving
    return limited != slope, at_limit


@compiled
def _constants(coupling: float, leg: float, loop: float, rest: FloatArray) -> FloatArray:
    """What _turn needs; rest: (gain, bias_drop_v, offset_v, half of the most a step, low_v, high_v)."""
    follow = leg / (1.0 + leg)
    out = np.empty(12)
    out[0], out[1] = (1.0 - coupling) / (1.0 + coupling), coupling / (1.0 + coupling)
    out[2], out[3] = (1.0 - leg) / (1.0 + leg), follow
    out[4], out[5] = loop, 1.0 / (1.0 + loop + loop * (rest[0] - 1.0) * follow)
    out[6:] = rest
    return out


@compiled
def amplify_stage(
    signal: FloatArray,
    coupling: float,
    leg: float,
    loop: float,
    gain: float,
    bias_drop_v: float,
    offset_v: float,
    most_step_v: float,
    low_v: float,
    high_v: float,
    state: FloatArray,
) -> tuple[FloatArray, FloatArray, int]:
    """One non-inverting stage, its capacitors and its output as trapezoid steps of half-step rates.

    coupling, leg, loop: half a step over input_ohm·C, over gain·ground_ohm·C, and over the closed loop's time
    constant. state: (input capacitor, leg capacitor, output, half a step times the output's slope, last
    input, the one before), V.
    The output's slope is limited to most_step_v a step, its value to low_v and high_v; a limited output stays
    where it is until the loop wants it back, and the leg's capacitor is charged by what the output really is.
    Where the slope is limited, or has just been, the moment of its turn lies within a step and decides how
    far the output gets: such a step is taken again in SLEW_TURNS turns, the input between its samples being
    the parabola through the last three.
    """
    out = np.empty_like(signal)
    rest = np.array([gain, bias_drop_v, offset_v, 0.5 * most_step_v, low_v, high_v])
    whole = _constants(coupling, leg, loop, rest)
    rest[3] = 0.5 * most_step_v / SLEW_TURNS
    part = _constants(coupling / SLEW_TURNS, leg / SLEW_TURNS, loop / SLEW_TURNS, rest)
    now, tried = state[:4].copy(), np.empty(4)
    before, earlier = state[4], state[5]
    slewing = abs(now[3]) >= 0.5 * most_step_v
    clipped = 0
    for n in range(signal.size):
        x = signal[n]
        tried[:] = now
        limited, at_limit = _turn(x, before, tried, whole)
        if limited or slewing:
            now[3] /= SLEW_TURNS
            last = before
            for k in range(SLEW_TURNS):
                s = (k + 1) / SLEW_TURNS
                between = before + 0.5 * s * ((x - earlier) + s * ((x - before) - (before - earlier)))
                _, at_limit = _turn(between, last, now, part)
                last = between
            now[3] *= SLEW_TURNS
        else:
            now[:] = tried
        # Told by the state alone, so that a run cut here goes on alike.
        slewing = abs(now[3]) >= 0.5 * most_step_v
        earlier, before = before, x
        clipped += at_limit
        out[n] = now[2]
    return out, np.array([now[0], now[1], now[2], now[3], before, earlier]), clipped
