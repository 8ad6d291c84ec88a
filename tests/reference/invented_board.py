"""Boards that nobody soldered, in continuous time: what their converters read while a wave plays.

The equations are those of circuit.py (microphone and amplifier by their corners, a rectifier, an RC detector)
with what a real board adds: a dead zone, one half of the wave missing, a leak across the capacitor. They are
solved by the classical Runge-Kutta method with a fixed step of some 0.65 µs on the periodic band-limited wave
through the samples; test_invented_board.py holds that against circuit.py's stiff solver. Nothing here comes
from the package under test.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from scipy.special import wrightomega

# Points of the wave a sample, each a step apart.
GRID = 32


@dataclass(frozen=True)
class InventedBoard:
    """Everything a board is, in SI units.

    mode: 0 precision full wave, 1 precision half wave, 2 precision half wave the other way round (the diode
    reversed: the capacitor is drawn down), 3 passive half wave through a Shockley diode. A
    microphone_low_hz of 0: the
    signal goes straight into the amplifier. A leg_hz of 0: no capacitor in the gain's leg. coupling_share:
    what comes
    through to the amplifier; 1, or next to nothing where the capacitor is not soldered.
    """

    sensitivity: float
    gain: float
    attack_ohm: float
    hold_farad: float
    release_ohm: float
    microphone_low_hz: float = 0.0
    microphone_high_hz: float = 15e3
    coupling_hz: float = 1.6
    leg_hz: float = 15.9
    gain_bandwidth_hz: float = 10e6
    offset_v: float = 0.0
    swing_up_v: float = 1.6
    swing_down_v: float = 1.6
    dead_v: float = 0.0
    mode: int = 0
    saturation_a: float = 2.5e-9
    emission_v: float = 1.75 * 0.025693
    bits: int = 10
    reference_v: float = 3.3
    rate_hz: float = 1000.0
    offset_lsb: float = 0.0
    noise_lsb: float = 0.3
    clock: float = 0.0
    delay_s: float = 0.0

    @property
    def gain_at_1_khz(self) -> float:
        """Volts at the rectifier per unit of the wave, at 1 kHz."""
        return self.gain_at(1000.0)

    def gain_at(self, hz: float) -> float:
        """The same at any frequency."""
        f = 1j * hz
        heard = 1.0
        if self.microphone_low_hz:
            heard = f / (self.microphone_low_hz + f) / (1 + f / self.microphone_high_hz)
        leg = (self.gain * f + self.leg_hz) / (f + self.leg_hz) if self.leg_hz else self.gain
        band = 1 + f / (self.gain_bandwidth_hz / self.gain)
        return abs(self.sensitivity * heard * f / (self.coupling_hz + f) * leg / band)


def fine_wave(samples: np.ndarray) -> np.ndarray:
    """The periodic band-limited wave through samples, silence appended, GRID points a sample."""
    period = 1 << (len(samples) + 4096 - 1).bit_length()
    spectrum = np.fft.rfft(samples, period)
    spectrum[-1] *= 0.5
    fine = np.fft.irfft(spectrum, period * GRID) * GRID
    return fine[: len(samples) * GRID + 1].copy()


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _omega(x):
    """Wright omega: w + ln w = x, by Newton steps on a start that is good everywhere."""
    w = np.exp(x) / (1.0 + np.exp(x)) if x < 1.0 else x - np.log(x) * x / (1.0 + x)
    for _ in range(6):
        w = w * (1.0 + x - np.log(w)) / (1.0 + w)
    return w


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _slopes(s, wave, p):
    # p[17] on: one over gain, attack, release and capacitor, as this runs some hundred million times.
    turn = 2.0 * np.pi
    felt = p[0] * wave
    d0 = d1 = 0.0
    if p[1] > 0.0:
        d0 = turn * p[1] * (felt - s[0])
        d1 = turn * p[2] * (felt - s[0] - s[1])
        source = s[1]
    else:
        source = felt
    coupled = source - s[2]
    gain = p[4]
    amplified = gain * coupled - (gain - 1.0) * s[3] if p[5] > 0.0 else gain * coupled
    d2 = turn * p[3] * coupled
    real = min(max(s[4], -p[9] - p[7]), p[8] - p[7])
    d3 = turn * p[5] * (real - s[3]) * p[17]
    d4 = turn * p[6] * p[17] * (amplified - s[4])
    volts = min(max(s[4] + p[7], -p[9]), p[8])
    held = s[5]
    mode = int(p[11])
    charge = 0.0
    if mode == 3:
        slope_v, leak_a, ohm = p[16], p[15], p[12]
        knee = ohm * leak_a / slope_v
        y = _omega((volts - held) / slope_v + knee + np.log(knee))
        charge = slope_v * y / ohm - leak_a
    elif mode == 2:
        drive = min(volts + p[10], 0.0)
        if drive < held:
            charge = (drive - held) * p[18]
    else:
        folded = abs(volts) if mode == 0 else max(volts, 0.0)
        drive = max(folded - p[10], 0.0)
        if drive > held:
            charge = (drive - held) * p[18]
    return d0, d1, d2, d3, d4, (charge - held * p[19]) * p[20]


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _along(s, by, d):
    return (
        s[0] + by * d[0], s[1] + by * d[1], s[2] + by * d[2],
        s[3] + by * d[3], s[4] + by * d[4], s[5] + by * d[5],
    )  # fmt: skip


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _of_four(a, b, c, d):
    return a + 2.0 * b + 2.0 * c + d


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _step(s, w0, w1, w2, step_s, p):
    a = _slopes(s, w0, p)
    b = _slopes(_along(s, 0.5 * step_s, a), w1, p)
    c = _slopes(_along(s, 0.5 * step_s, b), w1, p)
    d = _slopes(_along(s, step_s, c), w2, p)
    mean = (
        _of_four(a[0], b[0], c[0], d[0]), _of_four(a[1], b[1], c[1], d[1]), _of_four(a[2], b[2], c[2], d[2]),
        _of_four(a[3], b[3], c[3], d[3]), _of_four(a[4], b[4], c[4], d[4]), _of_four(a[5], b[5], c[5], d[5]),
    )  # fmt: skip
    return _along(s, step_s / 6.0, mean)


@njit(cache=True, fastmath={"contract"}, error_model="numpy")
def _run(fine, pair_s, p, held_v):
    s = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    for n in range(held_v.size):
        held_v[n] = s[5]
        w0, w1, w2 = fine[2 * n], fine[2 * n + 1], fine[2 * n + 2]
        # Quarter points by the parabola through three; the wave has nothing above a few kHz.
        early, late = 0.375 * w0 + 0.75 * w1 - 0.125 * w2, -0.125 * w0 + 0.75 * w1 + 0.375 * w2
        s = _step(s, w0, early, w1, 0.5 * pair_s, p)
        s = _step(s, w1, late, w2, 0.5 * pair_s, p)


def held_volts(board: InventedBoard, fine: np.ndarray, sample_rate_hz: float) -> tuple[np.ndarray, float]:
    """(V on the hold capacitor, step in s): from time 0 on, one value every other step."""
    step_s = 2 / (GRID * sample_rate_hz)
    held_v = np.empty((fine.size - 1) // 2)
    numbers = (
        board.sensitivity, board.microphone_low_hz, board.microphone_high_hz, board.coupling_hz, board.gain,
        board.leg_hz, board.gain_bandwidth_hz, board.offset_v, board.swing_up_v, board.swing_down_v,
        board.dead_v, board.mode, board.attack_ohm, board.hold_farad, board.release_ohm,
        board.saturation_a, board.emission_v, 1 / board.gain, 1 / board.attack_ohm, 1 / board.release_ohm,
        1 / board.hold_farad,
    )  # fmt: skip
    _run(fine, step_s, np.array(numbers, dtype=np.float64), held_v)
    return held_v, step_s


def counts_of(
    board: InventedBoard,
    fine: np.ndarray,
    sample_rate_hz: float,
    rng: np.random.Generator,
    lead_s: float = 0.3,
) -> np.ndarray:
    """What the converter reads from its first reading on, until a moment after the wave's end.

    Its first reading comes delay_s before the wave begins; its clock is off by the share clock.
    """
    held_v, step_s = held_volts(board, fine, sample_rate_hz)
    length_s = held_v.size * step_s + board.delay_s + lead_s
    count = int(length_s * board.rate_hz * (1 + board.clock))
    times_s = np.arange(count) / (board.rate_hz * (1 + board.clock)) - board.delay_s
    volts = np.interp(times_s, np.arange(held_v.size) * step_s, held_v)
    after = times_s > held_v.size * step_s
    volts[after] = held_v[-1] * np.exp(
        -(times_s[after] - held_v.size * step_s) / (board.hold_farad * board.release_ohm)
    )
    top = 2**board.bits
    reading = (
        volts / board.reference_v * top + board.offset_lsb + board.noise_lsb * rng.standard_normal(count)
    )
    return np.clip(np.floor(reading), 0, top - 1).astype(np.int64)


def with_release_gone(board: InventedBoard) -> InventedBoard:
    """The release resistor is not soldered: what is left across the capacitor is its own leakage, 100 s·C."""
    return replace(board, release_ohm=100.0 / board.hold_farad)


def check_omega(x: np.ndarray) -> np.ndarray:
    """Difference to scipy's Wright omega, as a share."""
    return np.array([_omega(v) for v in x]) / np.real(wrightomega(x)) - 1
