"""An independent answer to "what does the circuit do?": its differential equations, solved as they stand.

Nothing here comes from the package under test. The sound is the exact periodic band-limited wave through the
samples (its Fourier series, with silence appended so that the period does not close on itself). The circuit
is a set of ordinary differential equations in continuous time, one state per capacitor, handed to scipy's
stiff solver. Parts are plain numbers in SI units.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

TOLERANCE = 1e-9
# Fourier grid per sample: a fifth-degree Hermite cell of length h errs by at most (ωh)^6/(6!·2^6) of a sine;
# at Nyquist ωh = π/32, which gives 2e-11.
_GRID = 32

# A diode may conduct for a small part of a cycle only. A solver that looks at the ends of its steps would
# pass over it, and call that exact, so no step is longer than this part of the quickest cycle.
_STEPS_PER_CYCLE = 32


class Wave:
    """The band-limited wave through samples at a rate, silent before and after; call it with times in s.

    quickest_hz: highest frequency of weight in it, which limits the solver's steps; by default Nyquist.
    """

    def __init__(self, samples: np.ndarray, rate_hz: float, quickest_hz: float | None = None) -> None:
        silence = max(len(samples), 4096)
        period = 1 << (len(samples) + silence - 1).bit_length()
        spectrum = np.fft.rfft(samples, period)
        spectrum[-1] *= 0.5  # the line at Nyquist belongs half to each side
        self.rate_hz, self.grid_hz = rate_hz, _GRID * rate_hz
        self.duration_s = len(samples) / rate_hz
        self.quickest_hz = quickest_hz or rate_hz / 2
        omega_h = 2.0 * np.pi * np.arange(spectrum.size) / (period * _GRID)
        value, slope, bend = (
            np.fft.irfft(spectrum * (1j * omega_h) ** order, period * _GRID) * _GRID for order in range(3)
        )
        # cells begin one sample before the clip, so that a run may start a moment before time 0
        value, slope, bend = (np.roll(x, _GRID) for x in (value, slope, bend))
        self._coefficients = hermite_cells(value, slope, bend, (len(samples) + 1) * _GRID)
        self._cells = [tuple(row) for row in self._coefficients.tolist()]
        self.peak = float(np.abs(self._coefficients[:, 5]).max())

    def __call__(self, times_s: np.ndarray) -> np.ndarray:
        position = np.asarray(times_s) * self.grid_hz + _GRID
        cell = np.clip(position.astype(int), 0, len(self._cells) - 1)
        s, out = position - cell, np.zeros_like(position)
        for c in self._coefficients[cell].T:
            out = out * s + c
        return out

    def at(self, time_s: float) -> float:
        """The same for one time, fast."""
        position = time_s * self.grid_hz + _GRID
        cell = min(max(int(position), 0), len(self._cells) - 1)
        a, b, c, d, e, f = self._cells[cell]
        s = position - cell
        return ((((a * s + b) * s + c) * s + d) * s + e) * s + f


@dataclass(frozen=True)
class Formula:
    """A wave given by its formula, for checks of this file against closed forms."""

    at: Callable[[float], float]
    peak: float
    duration_s: float
    quickest_hz: float


def hermite_cells(value: np.ndarray, slope: np.ndarray, bend: np.ndarray, cells: int) -> np.ndarray:
    """Fifth-degree polynomials, highest power first, with value, slope and bend as given at both ends."""
    p0, v0, a0 = value[:cells], slope[:cells], bend[:cells]
    p1, v1, a1 = (np.roll(x, -1)[:cells] for x in (value, slope, bend))
    dp = p1 - p0
    return np.stack(
        [
            6 * dp - 3 * (v0 + v1) - (a0 - a1) / 2,
            -15 * dp + 8 * v0 + 7 * v1 + (3 * a0 - 2 * a1) / 2,
            10 * dp - 6 * v0 - 4 * v1 - (3 * a0 - a1) / 2,
            a0 / 2,
            v0,
            p0,
        ],
        axis=1,
    )


@dataclass(frozen=True)
class Peak:
    """Rectifier through attack_ohm and an ideal diode onto hold_farad, release_ohm across it."""

    attack_ohm: float
    hold_farad: float
    release_ohm: float

    def slope(self, drive_v: float, held_v: float) -> float:
        """dv/dt from C·dv/dt = (u − v)/Ra − v/Rr while u > v, else −v/Rr."""
        charge = (drive_v - held_v) / self.attack_ohm if drive_v > held_v else 0.0
        return (charge - held_v / self.release_ohm) / self.hold_farad


@dataclass(frozen=True)
class Average:
    """Rectifier through smoothing_ohm onto hold_farad, up and down alike."""

    smoothing_ohm: float
    hold_farad: float

    def slope(self, drive_v: float, held_v: float) -> float:
        """dv/dt from C·dv/dt = (u − v)/R."""
        return (drive_v - held_v) / (self.smoothing_ohm * self.hold_farad)


RAIL_V = 2e-5


@dataclass(frozen=True)
class FrontEnd:
    """Microphone and amplifier by their corners; a leg corner of 0 Hz: no capacitor in the gain's leg."""

    sensitivity_v_pa: float
    overload_pa: float
    microphone_low_hz: float
    microphone_high_hz: float
    coupling_hz: float
    gain: float
    leg_hz: float
    gain_bandwidth_hz: float
    offset_v: float
    swing_up_v: float
    swing_down_v: float

    def slopes(self, pressure_pa: float, state: Sequence[float]) -> list[float]:
        """d/dt of microphone low, high, coupling, the leg's capacitor, and the output, all above rest.

        The amplifier is an integrator whose loop the leg closes; its output stops at the rails, softened over
        RAIL_V as an edge would leave the solver without an answer, and charges the leg as it is.
        """
        low, high, coupling, leg, out = state[:5]
        turn = 2.0 * math.pi
        felt = self.sensitivity_v_pa * min(max(pressure_pa, -self.overload_pa), self.overload_pa)
        coupled = high - coupling
        real = min(max(out, -self.swing_down_v - self.offset_v), self.swing_up_v - self.offset_v)
        into_leg = (real - leg if self.leg_hz else real) / self.gain
        minus = (leg if self.leg_hz else 0.0) + into_leg
        move = turn * self.gain_bandwidth_hz * (coupled - minus)
        rail = self.swing_up_v - self.offset_v if move > 0 else self.swing_down_v + self.offset_v
        beyond = (out if move > 0 else -out) - rail
        if beyond > 0:
            move *= max(0.0, 1.0 - beyond / RAIL_V)
        return [
            turn * self.microphone_low_hz * (felt - low),
            turn * self.microphone_high_hz * (felt - low - high),
            turn * self.coupling_hz * coupled,
            turn * self.leg_hz * into_leg,
            move,
        ]

    def output(self, bandwidth_v: float) -> float:
        """Volts round bias, limited to the swing."""
        return min(max(bandwidth_v + self.offset_v, -self.swing_down_v), self.swing_up_v)


def rectified(volts: float, *, full_wave: bool) -> float:
    """What an ideal precision rectifier lets through."""
    return abs(volts) if full_wave else max(volts, 0.0)


def detector_volts(
    wave: Wave | Formula,
    detectors: Sequence[Peak | Average],
    times_s: np.ndarray,
    *,
    full_wave: bool = True,
    start_s: float = 0.0,
    start_v: float = 0.0,
    tolerance: float = TOLERANCE,
) -> np.ndarray:
    """Volts on each hold capacitor (rows) at rising times; the wave is the rectifier's input in volts.

    All capacitors hold start_v at start_s, which may lie up to a sample before 0.
    """
    onto = [detector.slope for detector in detectors]

    def slopes(time_s: float, held_v: np.ndarray) -> list[float]:
        drive_v = rectified(wave.at(time_s), full_wave=full_wave)
        return [slope(drive_v, v) for slope, v in zip(onto, held_v.tolist(), strict=True)]

    start = np.full(len(detectors), start_v)
    return _solve(slopes, start, np.full(len(detectors), wave.peak), wave, start_s, times_s, tolerance)


def chain_volts(
    wave: Wave | Formula,
    front: FrontEnd,
    detectors: Sequence[Peak | Average],
    times_s: np.ndarray,
    *,
    full_wave: bool = True,
    start_s: float = 0.0,
    tolerance: float = TOLERANCE,
) -> tuple[np.ndarray, np.ndarray]:
    """(amplifier output round bias, hold capacitors in rows) in V at rising times; the wave is in Pa.

    Everything is at rest at start_s, which may lie up to a sample before 0.
    """
    onto = [detector.slope for detector in detectors]

    def slopes(time_s: float, state: np.ndarray) -> list[float]:
        values = state.tolist()
        drive_v = rectified(front.output(values[4]), full_wave=full_wave)
        held = [slope(drive_v, v) for slope, v in zip(onto, values[5:], strict=True)]
        return front.slopes(wave.at(time_s), values) + held

    felt_v = front.sensitivity_v_pa * min(wave.peak, front.overload_pa)
    out_v = front.gain * felt_v
    held_v = min(out_v, max(front.swing_up_v, front.swing_down_v))
    scale = np.array([felt_v] * 4 + [out_v] + [held_v] * len(detectors))
    states = _solve(slopes, np.zeros(scale.size), scale, wave, start_s, times_s, tolerance)
    return np.array([front.output(v) for v in states[4]]), states[5:]


def _solve(
    slopes: Callable[[float, np.ndarray], list[float]],
    start: np.ndarray,
    scale: np.ndarray,
    wave: Wave | Formula,
    start_s: float,
    times_s: np.ndarray,
    tolerance: float,
) -> np.ndarray:
    solution = solve_ivp(
        slopes,
        (start_s, wave.duration_s),
        start,
        method="LSODA",
        t_eval=times_s,
        rtol=tolerance,
        atol=tolerance * scale,
        max_step=1.0 / (_STEPS_PER_CYCLE * wave.quickest_hz),
    )
    if not solution.success:
        raise RuntimeError(solution.message)
    return solution.y
