"""Rectifier and hold capacitor, one circuit: what a rectifier offers in, the capacitor's voltage out.

Whatever the rectifier is, ideal, passive or with amplifiers, this is the one place that decides by which step
capacitor and rectifier go from one sample to the next. For many detectors side by side the same steps stand
in analog/bank.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.adc import stamps_of
from envlab.analog.detector import (
    AverageDetector,
    Detector,
    Readings,
    between_readings,
    detect,
    hold_step,
    readings_of,
)
from envlab.analog.diodes.passive import charged_through, diode_step, hold_passive
from envlab.analog.rectifiers.half_wave_circuit import (
    CONDUCTS_V,
    both_ways,
    follow_both_ways,
    given_by,
    held_at_rest,
    hold_made,
    holding_numbers,
    made_at_rest,
    make,
    making,
)
from envlab.analog.rectifiers.half_waves import HalfWaves
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.analog.rectifiers.pump_circuit import hold_pumped, pumped
from envlab.analog.rectifiers.pumps import Pump
from envlab.units import FloatArray, IntArray

# What a rectifier is on its board, with the board's bias and supply in it.
BuiltRectifier = Rectifier | HalfWaves | Pump


@dataclass(frozen=True)
class HoldState:
    """held_v: V on the hold capacitor above the reference node. across_v: V across the coupling capacitor.

    other_across_v: across further coupling capacitors; empty: none, or all empty. inner: of the rectifier's
    amplifiers, as its step keeps it; empty: at rest. samples: outputs so far, counted where readings take
    charge one by one (detector.Readings), the first of them at time 0.
    """

    held_v: float = 0.0
    across_v: float = 0.0
    other_across_v: tuple[float, ...] = ()
    inner: tuple[float, ...] = ()
    samples: int = 0


def coupled_at(rectifier: BuiltRectifier, resting_v: float) -> HoldState:
    """Return an empty hold capacitor behind coupling capacitors that keep what stands still, resting_v, V."""
    if isinstance(rectifier, Pump):
        first, *others = (end.gain * resting_v for end in rectifier.ends)
        return HoldState(0.0, first, tuple(others))
    if isinstance(rectifier, HalfWaves):
        return HoldState(0.0, 0.0 if rectifier.coupling_farad is None else resting_v)
    return HoldState(0.0, resting_v if rectifier.reference == "coupled" else 0.0)


Hold = Callable[[FloatArray, HoldState], tuple[FloatArray, HoldState]]


def check_goes_together(rectifier: BuiltRectifier, detector: Detector) -> None:
    """Raise ParameterError for a detector that this rectifier cannot drive."""
    if isinstance(rectifier, HalfWaves):
        if rectifier.only_gives:
            given_by(rectifier, detector)
    elif isinstance(rectifier, Pump):
        pumped(rectifier, detector)
    elif rectifier.diode != "none":
        charged_through(detector)


def hold_signal(
    signal_v: FloatArray,
    rectifier: BuiltRectifier,
    detector: Detector,
    *,
    sample_rate_hz: float,
    bias_v: float = 0.0,
    state: HoldState | None = None,
) -> tuple[FloatArray, HoldState]:
    """Return (held_v, end state): V above the reference node, shape (n,).

    Held_v[n] stamped (n + ½)/sample_rate_hz.

    signal_v: shape (n,), V round the preamp's bias_v. rectifier: as built.
    """
    hold = holding_signal(rectifier, detector, sample_rate_hz=sample_rate_hz, bias_v=bias_v)
    return hold(signal_v, state or HoldState())


def holding_signal(
    rectifier: BuiltRectifier, detector: Detector, *, sample_rate_hz: float, bias_v: float = 0.0
) -> Hold:
    """Return hold_signal as a map of (signal_v, state), for who goes round and round.

    Of a short cycle, what its step is made of takes longer than the step itself.
    """
    hold = _holding(rectifier, detector, sample_rate_hz)
    if not isinstance(rectifier, Rectifier):
        return hold

    def rectified_first(signal_v: FloatArray, state: HoldState) -> tuple[FloatArray, HoldState]:
        return hold(rectify(signal_v, rectifier, bias_v=bias_v), state)

    return rectified_first


def hold_rectified(
    drive_v: FloatArray,
    rectifier: BuiltRectifier,
    detector: Detector,
    *,
    sample_rate_hz: float,
    state: HoldState,
) -> tuple[FloatArray, HoldState]:
    """The same from what the rectifier's stage hands on: see offered_v for what that is.

    Where readings take charge one by one, held_v between which a reading lies (adc.stamps_of) is what is held
    after it: what the converter, too, has on its capacitor.
    """
    return _holding(rectifier, detector, sample_rate_hz)(drive_v, state)


def _holding(rectifier: BuiltRectifier, detector: Detector, sample_rate_hz: float) -> Hold:
    between, readings = between_readings(detector), readings_of(detector)
    hold = _hold(rectifier, between, sample_rate_hz)
    if readings is None:
        return hold

    def read_too(drive_v: FloatArray, state: HoldState) -> tuple[FloatArray, HoldState]:
        last = state.samples + drive_v.size
        read_after = _read_after(readings, sample_rate_hz, state.samples, last) - state.samples
        if rectifier.scales_with_level and readings.node_v == 0:
            held_v, end = _read_at_once(drive_v, between, readings, read_after, sample_rate_hz, state)
        else:
            held_v, end = _read_in_turn(hold, drive_v, detector.hold_farad, readings, read_after, state)
        return held_v, replace(end, samples=last)

    return read_too


def _read_in_turn(
    hold: Hold,
    drive_v: FloatArray,
    hold_farad: float,
    readings: Readings,
    read_after: IntArray,
    state: HoldState,
) -> tuple[FloatArray, HoldState]:
    held_v, done = np.empty(drive_v.size), 0
    for stop in read_after.tolist():
        if stop > done:
            held_v[done:stop], state = hold(drive_v[done:stop], state)
            done = stop
        left_v = readings.left_v(state.held_v, hold_farad)
        held_v[stop - 1], state = left_v, replace(state, held_v=left_v)
    if done < drive_v.size:
        held_v[done:], state = hold(drive_v[done:], state)
    return held_v, state


def _read_at_once(
    drive_v: FloatArray,
    between: Detector,
    readings: Readings,
    read_after: IntArray,
    sample_rate_hz: float,
    state: HoldState,
) -> tuple[FloatArray, HoldState]:
    """The same behind a rectifier that is at once, on ground: one loop, fifty times as quick."""
    from envlab.analog.kernels import stage_kernels as kernels

    kept = readings.left_v(1.0, between.hold_farad)
    step = hold_step(between, sample_rate_hz)
    held_v = kernels.hold_read(drive_v, *step, read_after, kept, state.held_v)
    return held_v, HoldState(float(held_v[-1]) if held_v.size else state.held_v)


def _read_after(readings: Readings, sample_rate_hz: float, start: int, stop: int) -> IntArray:
    """Return after how many outputs each reading falls that does so after start and not after stop.

    The reading at time 0 is part of the state at rest.
    """
    first, last = ((at - 1) / sample_rate_hz * readings.rate_hz for at in (start, stop + 2))
    index = np.arange(max(1, math.floor(first)), math.ceil(last) + 1)
    # Further than the last that is wanted, so that stamps_of holds none of these back.
    after, _ = stamps_of(index / readings.rate_hz, stop + 4, sample_rate_hz)
    return after[(after > start) & (after <= stop)]


def offered_v(
    drive_v: FloatArray, rectifier: BuiltRectifier, *, sample_rate_hz: float, state: HoldState
) -> FloatArray:
    """Return what the rectifier offers to the attack resistor, V above the reference node, shape (n,).

    drive_v: what its stage hands on: of an ideal or passive one that itself, of one with amplifiers the
    signal, from which each half wave is made together with the capacitor. state: before the block.
    """
    if isinstance(rectifier, HalfWaves):
        made, _ = half_wave_states(rectifier, state)
        upper_v, lower_v, _ = make(drive_v, rectifier, sample_rate_hz=sample_rate_hz, start=made)
        return np.maximum(upper_v, lower_v)
    return drive_v


def _hold(rectifier: BuiltRectifier, detector: Detector, sample_rate_hz: float) -> Hold:
    if isinstance(rectifier, HalfWaves):
        return _by_amplifiers(rectifier, detector, sample_rate_hz)
    if isinstance(rectifier, Pump):
        return _by_pump(rectifier, detector, sample_rate_hz)
    if rectifier.diode != "none":
        return _by_diode(rectifier, detector, sample_rate_hz)
    if rectifier.output_current_a is not None and not isinstance(detector, AverageDetector):
        return _limited(rectifier.output_current_a * detector.release_ohm, detector, sample_rate_hz)
    return _ideal(detector, sample_rate_hz)


def _ideal(detector: Detector, sample_rate_hz: float) -> Hold:
    def hold(drive_v: FloatArray, state: HoldState) -> tuple[FloatArray, HoldState]:
        held_v, end_v = detect(drive_v, detector, sample_rate_hz=sample_rate_hz, start_v=state.held_v)
        return held_v, HoldState(end_v)

    return hold


def _limited(most_v: float, detector: Detector, sample_rate_hz: float) -> Hold:
    """most_v: what the amplifier's current would make of the release resistor alone."""
    charge, gain, bleed = hold_step(detector, sample_rate_hz)

    def hold(drive_v: FloatArray, state: HoldState) -> tuple[FloatArray, HoldState]:
        from envlab.analog.kernels import diode_kernels

        kick_v = most_v * (1 - bleed)
        held_v, end_v = diode_kernels.hold_limited(drive_v, charge, gain, bleed, kick_v, state.held_v)
        return held_v, HoldState(float(end_v))

    return hold


def _by_diode(rectifier: Rectifier, detector: Detector, sample_rate_hz: float) -> Hold:
    step = diode_step(detector, rectifier, sample_rate_hz)

    def hold(drive_v: FloatArray, state: HoldState) -> tuple[FloatArray, HoldState]:
        held_v, end = hold_passive(drive_v, step, np.array([state.held_v, state.across_v]))
        return held_v, HoldState(float(end[0]), float(end[1]))

    return hold


def _by_amplifiers(built: HalfWaves, detector: Detector, sample_rate_hz: float) -> Hold:
    average, made_of = both_ways(built, detector), making(built, sample_rate_hz)
    numbers = holding_numbers(detector, built, sample_rate_hz) if average is None else None

    def hold(drive_v: FloatArray, state: HoldState) -> tuple[FloatArray, HoldState]:
        made, held = half_wave_states(built, state)
        upper_v, lower_v, made = made_of(drive_v, made)
        if average is not None:
            larger_v = np.maximum(upper_v, lower_v)
            held_v, now_v = follow_both_ways(larger_v, average, sample_rate_hz, state.held_v)
            return held_v, HoldState(now_v, float(made[0]), inner=(float(made[1]), *held[1:].tolist()))
        assert numbers is not None
        held_v, held = hold_made(upper_v, lower_v, numbers, held)
        across, first = made.tolist()
        now_v, *amplifiers = held.tolist()
        return held_v, HoldState(now_v, across, inner=(first, *amplifiers))

    return hold


def _by_pump(pump: Pump, detector: Detector, sample_rate_hz: float) -> Hold:
    def hold(drive_v: FloatArray, state: HoldState) -> tuple[FloatArray, HoldState]:
        start = np.zeros(1 + len(pump.ends))
        start[:2] = state.held_v, state.across_v
        start[2:] = state.other_across_v or 0.0
        held_v, end = hold_pumped(drive_v, pump, detector, sample_rate_hz=sample_rate_hz, start=start)
        now_v, across, *others = end.tolist()
        return held_v, HoldState(now_v, across, tuple(others))

    return hold


def half_wave_states(built: HalfWaves, state: HoldState) -> tuple[FloatArray, FloatArray]:
    """Return a state, V, as make and as hold_made take it."""
    made, held = made_at_rest(), held_at_rest(built, state.held_v)
    made[0] = state.across_v
    if state.inner:
        made[1], held[1:] = state.inner[0], state.inner[1:]
    return made, held


def conducting_at(built: HalfWaves, state: HoldState) -> HoldState:
    """Return the state with both amplifiers' diodes conducting; a step blocks what has nothing to give."""
    return _with_outputs(built, state, lambda _: CONDUCTS_V)


def blocked_at_lowest(built: HalfWaves, state: HoldState) -> HoldState:
    """Return the state with each amplifier whose diode does not conduct at its lowest output."""
    return _with_outputs(built, state, lambda out: out if out >= CONDUCTS_V else built.output_low_v)


def _with_outputs(built: HalfWaves, state: HoldState, changed: Callable[[float], float]) -> HoldState:
    made, held = half_wave_states(built, state)
    _, upper, lower, *others = held.tolist()
    return replace(state, inner=(float(made[1]), changed(upper), changed(lower), *others))
