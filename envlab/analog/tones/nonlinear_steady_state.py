"""A detector that does not scale with the level, on a steady tone: simulated at that very level.

Passive diodes, amplifiers, a rectifier referred to the bias and a limited drive all bend the scale: twice the
sound is not twice the envelope. What steady.py finds once for all levels is found here for one.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from envlab.analog.detector import Detector, Readings, averaged, drawn_a, readings_of
from envlab.analog.envelope import (
    BuiltRectifier,
    HoldState,
    blocked_at_lowest,
    conducting_at,
    coupled_at,
    holding_signal,
)
from envlab.analog.rectifiers.half_waves import HalfWaves
from envlab.analog.rectifiers.pump_circuit import least_rate_hz
from envlab.analog.rectifiers.pumps import Pump
from envlab.analog.tones.steady_state import ToneResponse
from envlab.errors import check_positive, check_range
from envlab.units import FloatArray

# Midpoint steps err by (2π/1024)²/24 = 1.6e-6 of the peak.
STEPS_PER_CYCLE = 1024
_COUNTED_CYCLES = 2_000
_RELEASE_STEPS = 4_000
_QUICKEST_HZ = 5e8
# As a clip is usually interpolated.
_READ_IN_STEPS_HZ = 384e3
_STEPS_PER_READING = 4
# Share of the drive by which a cycle moves a state at rest at most; Newton's method ends at 1e-13.
_RESTS_WITHIN = 1e-9

Cycle = Callable[[HoldState], tuple[FloatArray, HoldState]]


def tone_response_at(
    detector: Detector,
    rectifier: BuiltRectifier,
    frequency_hz: float,
    peak_v: float,
    *,
    bias_v: float = 0.0,
) -> ToneResponse:
    """Return the answer to a sine of peak_v out of silence, volts above quiescent over peak_v.

    frequency_hz: 1 Hz to 20 kHz. peak_v: above 0, V at the preamp's output, which rests at bias_v. Where the
    tone moves nothing, attack_s is infinite.
    """
    detector = averaged(detector)
    cycle, rate_hz = _tone_cycle(detector, rectifier, frequency_hz, peak_v, bias_v)
    silent = quiescent_state(detector, rectifier, bias_v=bias_v)
    start = _settled_state(cycle, silent, max(peak_v, _own_reach_v(rectifier, peak_v)))
    held_v, end = cycle(start)
    quiescent_v, settled_v = silent.held_v, float(held_v.mean())
    rise_v = settled_v - quiescent_v
    low_v, high_v = float(held_v.min()) - quiescent_v, float(held_v.max()) - quiescent_v
    attack_s = release_s = math.inf
    if rise_v > 1e-9 * peak_v:
        attack_s = max(0.0, _attack_steps(cycle, silent, quiescent_v + 0.9 * rise_v) - 0.5) / rate_hz
        release_s = _release_s(detector, rectifier, end, quiescent_v + 0.1 * rise_v, bias_v)
    return ToneResponse(
        rise_v / peak_v,
        low_v / peak_v,
        high_v / peak_v,
        (end.held_v - quiescent_v) / peak_v,
        attack_s,
        release_s,
    )


def settled_ratio_at(
    detector: Detector,
    rectifier: BuiltRectifier,
    frequency_hz: float,
    peak_v: float,
    *,
    bias_v: float = 0.0,
) -> float:
    """Return the settled_ratio of tone_response_at alone, without the wait for attack and release."""
    detector = averaged(detector)
    cycle, _ = _tone_cycle(detector, rectifier, frequency_hz, peak_v, bias_v)
    silent = quiescent_state(detector, rectifier, bias_v=bias_v)
    held_v, _ = cycle(_settled_state(cycle, silent, max(peak_v, _own_reach_v(rectifier, peak_v))))
    return (float(held_v.mean()) - silent.held_v) / peak_v


def _tone_cycle(
    detector: Detector, rectifier: BuiltRectifier, frequency_hz: float, peak_v: float, bias_v: float
) -> tuple[Cycle, float]:
    """Return one cycle of the sine as a map of states, and its sample rate."""
    check_range("frequency_hz", frequency_hz, 1, 20e3, unit="Hz")
    check_positive("peak_v", peak_v, unit="V")
    rate_hz = STEPS_PER_CYCLE * frequency_hz
    sine_v = peak_v * np.sin(2 * np.pi * np.arange(STEPS_PER_CYCLE) / STEPS_PER_CYCLE)

    hold = holding_signal(rectifier, detector, sample_rate_hz=rate_hz, bias_v=bias_v)

    def cycle(state: HoldState) -> tuple[FloatArray, HoldState]:
        return hold(sine_v, state)

    return cycle, rate_hz


@functools.lru_cache(maxsize=4096)
def quiescent_state(
    detector: Detector, rectifier: BuiltRectifier, *, bias_v: float = 0.0, resting_v: float = 0.0
) -> HoldState:
    """Return the state in which everything has come to rest without a signal.

    resting_v: where the signal then stands, V round bias_v. Where readings take charge one by one, it is the
    state after each of them.
    """
    readings = readings_of(detector)
    if readings is not None:
        mean = quiescent_state(averaged(detector), rectifier, bias_v=bias_v, resting_v=resting_v)
        to_next = _reading_cycle(readings, detector, rectifier, bias_v, resting_v)
        return _settled_state(to_next, mean, max(1e-3, abs(mean.held_v)))
    offered_v = rectifier.quiescent_rectified_v(bias_v, resting_v)
    if rectifier.scales_with_level:
        return HoldState(detector.divider * offered_v)
    followed_hz = 2 * least_rate_hz(rectifier, detector) if isinstance(rectifier, Pump) else 0.0
    rate_hz = min(_QUICKEST_HZ, max(STEPS_PER_CYCLE / detector.slowest_s, followed_hz))

    hold = holding_signal(rectifier, detector, sample_rate_hz=rate_hz, bias_v=bias_v)

    def cycle(state: HoldState) -> tuple[FloatArray, HoldState]:
        return hold(np.full(STEPS_PER_CYCLE, resting_v), state)

    # Without the rectifier, what is drawn from the hold capacitor would come through the release resistor.
    drawn_v = drawn_a(detector) * detector.slowest_s / detector.hold_farad
    scale_v = max(1e-3, abs(offered_v), drawn_v, _own_reach_v(rectifier, resting_v))
    rest = _settled_state(cycle, coupled_at(rectifier, resting_v), scale_v)
    if not (isinstance(rectifier, HalfWaves) and rectifier.only_gives):
        return rest
    # A slow amplifier needs more than a cycle to come up to its diode's drop; in silence there is time.
    conducting = conducting_at(rectifier, rest)
    _, end = cycle(conducting)
    if abs(end.held_v - rest.held_v) <= _RESTS_WITHIN * scale_v:
        return rest
    return blocked_at_lowest(rectifier, _settled_state(cycle, conducting, scale_v))


def _own_reach_v(rectifier: BuiltRectifier, signal_v: float) -> float:
    """How far from the node amplifiers of the rectifier's own take what they feed, V; without any 0.

    An output that comes no lower feeds the capacitor whatever it is asked for; an inverter has its own gain.
    """
    if isinstance(rectifier, HalfWaves):
        return rectifier.output_low_v
    if isinstance(rectifier, Pump):
        return max(abs(min(max(end.gain * signal_v, end.least_v), end.most_v)) for end in rectifier.ends)
    return 0.0


def _reading_cycle(
    readings: Readings, detector: Detector, rectifier: BuiltRectifier, bias_v: float, resting_v: float
) -> Cycle:
    """Return what silence makes of a state from one reading to the next."""
    steps = max(_STEPS_PER_READING, round(_READ_IN_STEPS_HZ / readings.rate_hz))

    hold = holding_signal(rectifier, detector, sample_rate_hz=steps * readings.rate_hz, bias_v=bias_v)

    def cycle(state: HoldState) -> tuple[FloatArray, HoldState]:
        return hold(np.full(steps, resting_v), replace(state, samples=0))

    return cycle


def _settled_state(cycle: Cycle, start: HoldState, scale_v: float) -> HoldState:
    """State that a cycle brings back: Newton's method on the map from start to end, slopes by difference.

    Amplifiers forget within a cycle what they were; theirs is what the latest cycle left.
    """
    _, end = cycle(start)
    x, inner = np.zeros(2 + len(end.other_across_v)), start.inner
    x[:2] = start.held_v, start.across_v
    x[2:] = start.other_across_v or 0.0
    nudge = 1e-6 * scale_v

    def state_at(at: FloatArray) -> HoldState:
        held_v, across_v, *others = at.tolist()
        return HoldState(held_v, across_v, tuple(others), inner)

    def moved(at: FloatArray) -> tuple[FloatArray, HoldState]:
        _, end = cycle(state_at(at))
        return np.array([end.held_v, end.across_v, *end.other_across_v]) - at, end

    for _ in range(60):
        gap, end = moved(x)
        if np.abs(gap).max() <= 1e-13 * scale_v:
            break
        slopes = np.stack([(moved(x + nudge * unit)[0] - gap) / nudge for unit in np.eye(x.size)], axis=1)
        inner = end.inner
        if slopes[1, 1] == 0:
            slopes[1, 1] = -1.0  # there is no coupling capacitor
        # A map that hardly moves has no well-known zero; half the drive is the farthest one step goes.
        step = np.linalg.lstsq(slopes, -gap, rcond=1e-12)[0]
        x = x + step * min(1.0, 0.5 * scale_v / max(float(np.abs(step).max()), 1e-300))
    return state_at(x)


def _attack_steps(cycle: Cycle, start: HoldState, threshold_v: float) -> float:
    state = start
    for count in range(_COUNTED_CYCLES):
        before = state.held_v
        held_v, state = cycle(state)
        above = held_v >= threshold_v
        if above.any():
            n = int(np.argmax(above))
            low = before if n == 0 else float(held_v[n - 1])
            return count * STEPS_PER_CYCLE + n + (threshold_v - low) / (float(held_v[n]) - low)
    done = float(_COUNTED_CYCLES)
    return STEPS_PER_CYCLE * (done + _cycles_between(cycle, state, threshold_v))


def _cycles_between(cycle: Cycle, start: HoldState, threshold_v: float) -> float:
    """Cycles of a slow detector: dk = dv/g(v), with Euler and Maclaurin's first correction."""
    place, weight = np.polynomial.legendre.leggauss(32)
    half = 0.5 * (threshold_v - start.held_v)
    volts = start.held_v + half * (np.concatenate(([-1.0], place, [1.0])) + 1)
    moved = np.array([cycle(replace(start, held_v=float(v)))[1].held_v - v for v in volts])
    if moved.min() <= 0:
        return math.inf
    return half * float(np.sum(weight / moved[1:-1])) + 0.5 * math.log(moved[-1] / moved[0])


def _release_s(
    detector: Detector, rectifier: BuiltRectifier, start: HoldState, threshold_v: float, bias_v: float
) -> float:
    if start.held_v <= threshold_v:
        return 0.0
    rate_hz = min(_QUICKEST_HZ, _RELEASE_STEPS / (4 * detector.slowest_s))
    state, silence, done = start, np.zeros(_RELEASE_STEPS), 0
    hold = holding_signal(rectifier, detector, sample_rate_hz=rate_hz, bias_v=bias_v)
    for _ in range(50):
        before = state.held_v
        held_v, state = hold(silence, state)
        below = held_v <= threshold_v
        if below.any():
            n = int(np.argmax(below))
            high = before if n == 0 else float(held_v[n - 1])
            return (done + n + (threshold_v - high) / (float(held_v[n]) - high)) / rate_hz
        done += _RELEASE_STEPS
    return math.inf
