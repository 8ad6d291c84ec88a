"""What a board with given values reads while the bench signal plays: the model that is fitted.

It is the engine's: its front end makes the wave, its detectors hold it, its converter's arithmetic reads it.
A trial with the design's own values is Chain.run of the same sound, which a test holds.
"""

from __future__ import annotations

import copy
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.adc import read_between, stamps_of
from envlab.analog.detector import Detector, hold_step
from envlab.analog.envelope import BuiltRectifier, HoldState, hold_rectified
from envlab.analog.rectifiers.half_waves import HalfWaves
from envlab.analog.rectifiers.ideal import Rectifier, rectify
from envlab.analog.rectifiers.pumps import Pump
from envlab.analog.tones.nonlinear_steady_state import quiescent_state
from envlab.bench.fit.values import BoardValues, detector_of
from envlab.bench.signals.board_wave import input_peak, wave_at_rectifier, with_corners_up
from envlab.bench.signals.program import MAIN_HZ, SAMPLE_RATE_HZ, BenchProgram
from envlab.chain import Chain
from envlab.units import BoolArray, FloatArray, IntArray

_BEND = 0.05


@dataclass(frozen=True, eq=False)
class TrialReadings:
    """read_v: shape (readings, trials), V above the reference node. rise_v_s: shape (readings,), slope of the
    first trial, V/s."""

    read_v: FloatArray
    rise_v_s: FloatArray


class BenchModel:
    """One design and one bench signal; answers what any trial board reads at any times.

    Parameters
    ----------
    chain : Chain
        The design.
    program : BenchProgram
        What is played.
    wave : ndarray of float or None
        Shape (n,), share of full scale at SAMPLE_RATE_HZ: what is heard in the place of the program's own
        wave, as long as that; None: the program's own.
    """

    def __init__(self, chain: Chain, program: BenchProgram, wave: FloatArray | None = None) -> None:
        self.chain, self.program = chain, program
        from envlab.analog.kernels import trial_kernels

        self._wave, self._about = wave, 0.0
        self.wave_v, self._bend_v = self._straight_line()
        self._bends_v = trial_kernels.tile_peaks(self._bend_v)
        self._peaks_v = trial_kernels.tile_peaks(self.wave_v)
        self.rate_hz = self.wave_v.size / round(program.duration_s * SAMPLE_RATE_HZ) * SAMPLE_RATE_HZ
        edges = [round(one.start_s * self.rate_hz) for one in program.stretches]
        self._starts = np.array([*edges, self.wave_v.size], dtype=np.int64)
        self._tones = np.array([tone_class(one.frequency_hz, one.kind) for one in program.stretches])

    def _straight_line(self) -> tuple[FloatArray, FloatArray]:
        """The wave where the line begins, and its change with the logarithm of the corners, in the small."""
        peak = input_peak(self.chain, self.program.way)
        here, moved = (
            wave_at_rectifier(
                with_corners_up(self.chain, math.exp(at)), self.program, peak=peak, wave=self._wave
            )
            for at in (self._about, self._about + _BEND)
        )
        return here, (moved - here) / _BEND

    def about(self, corner: float) -> BenchModel:
        """Return the same model, its line along the corners begun elsewhere.

        corner: where it begins, times the design's, no unit.
        """
        from envlab.analog.kernels import trial_kernels

        other = copy.copy(self)
        other._about = math.log(corner)
        other.wave_v, other._bend_v = other._straight_line()
        other._peaks_v = trial_kernels.tile_peaks(other.wave_v)
        other._bends_v = trial_kernels.tile_peaks(other._bend_v)
        return other

    def hearing(self, wave_v: FloatArray) -> BenchModel:
        """Return the same model with another wave at its rectifier, V, as long as its own."""
        from envlab.analog.kernels import trial_kernels

        other = copy.copy(self)
        other.wave_v = wave_v
        other._peaks_v = trial_kernels.tile_peaks(wave_v)
        return other

    def read(self, trials: Sequence[BoardValues], times_s: FloatArray) -> TrialReadings:
        """Return what trials hold at rising times of the file; before and after it they are at rest.

        times_s: shape (readings,), s; a time before the file reads the value at its start.
        """
        inside = np.clip(times_s, 0.0, None)
        upper, fraction = stamps_of(inside, self.wave_v.size, self.rate_hz)
        if self._ideal is not None:
            return self._lanes(self._ideal, trials, upper, fraction)
        return self._one_by_one(trials, upper, fraction)

    @property
    def _ideal(self) -> Rectifier | None:
        """The rectifier, if many trials run side by side behind it."""
        rectifier = self.chain.rectifier
        if not isinstance(rectifier, Rectifier) or rectifier.diode != "none":
            return None
        return rectifier if rectifier.output_current_a is None else None

    def _gains(self, trial: BoardValues) -> FloatArray:
        """One a stretch."""
        return np.asarray(np.array((trial.gain, trial.low_gain, trial.high_gain))[self._tones])

    def _limits_v(self, trial: BoardValues) -> tuple[float, float]:
        preamp = self.chain.preamp
        return -trial.limit * preamp.swing_down_v, trial.limit * preamp.swing_up_v

    def _detector(self, trial: BoardValues) -> Detector:
        return detector_of(trial, self.chain.detector_as_built)

    def _lanes(
        self, rectifier: Rectifier, trials: Sequence[BoardValues], upper: IntArray, fraction: FloatArray
    ) -> TrialReadings:
        from envlab.analog.kernels import trial_kernels

        width = trial_kernels.LANES
        parts = [
            self._some(rectifier, trials[first : first + width], upper, fraction)
            for first in range(0, len(trials), width)
        ]
        return TrialReadings(np.concatenate([one.read_v for one in parts], axis=1), parts[0].rise_v_s)

    def _some(
        self, rectifier: Rectifier, trials: Sequence[BoardValues], upper: IntArray, fraction: FloatArray
    ) -> TrialReadings:
        from envlab.analog.kernels import trial_kernels

        filled = [*trials, *[trials[-1]] * (trial_kernels.LANES - len(trials))]
        detectors = [self._detector(one) for one in filled]
        quiescent_v = rectifier.quiescent_rectified_v(self.chain.bias_at_rectifier_v)
        lift_v = np.array([quiescent_v - one.drop_v for one in filled])
        full = rectifier.kind == "full"
        limits = np.array([self._limits_v(one) for one in filled])
        read_v, rise_v = trial_kernels.hold_trials(
            self.wave_v,
            self._bend_v,
            self._peaks_v,
            self._bends_v,
            self._starts,
            np.stack([self._gains(one) for one in filled], axis=1),
            np.array([math.log(one.corner) - self._about for one in filled]),
            limits[:, 0].copy(),
            limits[:, 1].copy(),
            np.array([float(full and not one.half_wave) for one in filled]),
            lift_v,
            np.array([one.lean_v for one in filled]),
            np.array([hold_step(one, self.rate_hz) for one in detectors]).T.copy(),
            _offered_at_rest(lift_v, np.array([one.lean_v for one in filled]), full)
            * np.array([one.divider for one in detectors]),
            upper,
            fraction,
        )
        return TrialReadings(read_v[:, : len(trials)], rise_v[:, 0] * self.rate_hz)

    def _one_by_one(
        self, trials: Sequence[BoardValues], upper: IntArray, fraction: FloatArray
    ) -> TrialReadings:
        read_v = np.empty((upper.size, len(trials)))
        rise_v_s = np.zeros(upper.size)
        bias_v = self.chain.bias_at_rectifier_v
        for place, trial in enumerate(trials):
            gains = np.repeat(self._gains(trial), np.diff(self._starts))
            wave_v = self.wave_v + (math.log(trial.corner) - self._about) * self._bend_v
            signal_v = np.clip(gains * wave_v + trial.lean_v, *self._limits_v(trial))
            rectifier, detector = _of_trial(self.chain.rectifier_as_built, trial), self._detector(trial)
            offered_v, offered_at_rest_v = _offered(rectifier, trial, bias_v)
            state = quiescent_state(detector, rectifier, bias_v=bias_v, resting_v=trial.lean_v)
            if offered_at_rest_v is not None:
                state = HoldState(offered_at_rest_v * detector.divider)
            held_v, _ = hold_rectified(
                offered_v(signal_v), rectifier, detector, sample_rate_hz=self.rate_hz, state=state
            )
            read_v[:, place] = read_between(state.held_v, held_v, upper, fraction)
            if place == 0:
                before_v = np.where(upper > 0, held_v[upper - 1], state.held_v)
                rise_v_s = (held_v[upper] - before_v) * self.rate_hz
        return TrialReadings(read_v, rise_v_s)

    def fitted_times(self, times_s: FloatArray) -> BoolArray:
        """Return which times of the file say something of the board's parts, shape (times,).

        The sweep is left out, and the silence behind it: what a room or a loudspeaker does to it is not
        known.
        """
        inside = (times_s >= 0) & (times_s < self.program.duration_s)
        for one, behind in itertools.pairwise(self.program.stretches):
            if one.kind == "sweep":
                inside &= (times_s < one.start_s) | (times_s >= behind.end_s)
        return np.asarray(inside)


def tone_class(frequency_hz: float, kind: str) -> int:
    """Return which gain a stretch is heard with: 0 that of the main tone, 1 of the low one, 2 of the high."""
    if kind != "burst" or frequency_hz == MAIN_HZ:
        return 0
    return 1 if frequency_hz < MAIN_HZ else 2


def _offered_at_rest(lift_v: FloatArray, lean_v: FloatArray, full: bool) -> FloatArray:
    """What trials' detectors are offered at silence, shape (trials,), V."""
    folded = np.abs(lean_v) if full else np.maximum(lean_v, 0.0)
    return np.maximum(folded + lift_v, 0.0)


def _of_trial(rectifier: BuiltRectifier, trial: BoardValues) -> BuiltRectifier:
    """A rectifier with one half of the wave, or that passes less: see BoardValues.drop_v."""
    if isinstance(rectifier, HalfWaves):
        upper, lower = (
            replace(one, error_v=one.error_v - trial.drop_v) for one in (rectifier.upper, rectifier.lower)
        )
        return replace(rectifier, upper=upper, lower=replace(lower, gain=0.0) if trial.half_wave else lower)
    if isinstance(rectifier, Pump):
        return rectifier
    if trial.half_wave and rectifier.kind == "full":
        rectifier = replace(rectifier, kind="half")
    diode = rectifier.passive_diode
    if diode is None:
        return rectifier
    # At one current a diode drops more by what its saturation current is less, n·kT/q to an e-fold.
    return replace(rectifier, saturation_a=diode.saturation_a * float(np.exp(-trial.drop_v / diode.slope_v)))


def _offered(
    rectifier: BuiltRectifier, trial: BoardValues, bias_v: float
) -> tuple[Callable[[FloatArray], FloatArray], float | None]:
    """Return what the rectifier hands to its capacitor, and what it offers at silence where a trial says so.

    Circuits with amplifiers, pumps and transistors take the signal as it is: they are one with the capacitor.
    """
    if not isinstance(rectifier, Rectifier):
        return (lambda signal_v: signal_v), None
    if rectifier.diode != "none":
        return (lambda signal_v: rectify(signal_v, rectifier, bias_v=bias_v)), None

    def less(signal_v: FloatArray) -> FloatArray:
        return np.maximum(rectify(signal_v, rectifier, bias_v=bias_v) - trial.drop_v, 0.0)

    return less, float(less(np.array([trial.lean_v]))[0])
