"""Microphone: pascal in, volts out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from envlab.analog import sections
from envlab.analog.samples import sample_row
from envlab.errors import ParameterError, check_range
from envlab.sound.level import a_weighting_db
from envlab.units import BoolArray, FloatArray, from_db, pressure_rms_pa


@dataclass(frozen=True)
class Microphone:
    """An analog microphone by its data-sheet figures.

    sensitivity_dbv_pa: dB re 1 V/Pa at 1 kHz, −80 to 0 (−42 is 7.94 mV/Pa).
    signal_to_noise_db: dB(A) re 94 dB SPL, 30 to 90; self-noise is 94 dB SPL minus this.
    overload_db_spl: acoustic overload point, rms of a sine in dB SPL, 90 to 160.
    low_corner_hz, high_corner_hz: −3 dB corners, one pole each; 1 Hz ≤ low < high ≤ 100 kHz.
    """

    sensitivity_dbv_pa: float = -42.0
    signal_to_noise_db: float = 62.0
    overload_db_spl: float = 120.0
    low_corner_hz: float = 40.0
    high_corner_hz: float = 15_000.0

    def __post_init__(self) -> None:
        check_range("sensitivity_dbv_pa", self.sensitivity_dbv_pa, -80, 0, unit="dB re 1 V/Pa")
        check_range("signal_to_noise_db", self.signal_to_noise_db, 30, 90, unit="dB(A)")
        check_range("overload_db_spl", self.overload_db_spl, 90, 160, unit="dB SPL")
        check_range("low_corner_hz", self.low_corner_hz, 1, 100e3, unit="Hz")
        check_range("high_corner_hz", self.high_corner_hz, 1, 100e3, unit="Hz")
        if self.low_corner_hz >= self.high_corner_hz:
            raise ParameterError("low_corner_hz", self.low_corner_hz, "below high_corner_hz")

    @property
    def sensitivity_v_pa(self) -> float:
        """Volts per pascal."""
        return from_db(self.sensitivity_dbv_pa)

    @property
    def overload_pa(self) -> float:
        """Largest peak pressure that still passes: √2 · 20 µPa · 10^(AOP/20)."""
        return math.sqrt(2) * pressure_rms_pa(self.overload_db_spl)

    @property
    def self_noise_db_spl(self) -> float:
        """Equivalent input noise, A-weighted, in dB SPL."""
        return 94.0 - self.signal_to_noise_db

    def response(self, frequency_hz: float) -> complex:
        """Volts per pascal at a frequency: sensitivity and both corners, H(jω)."""
        high = 1j * frequency_hz / (self.low_corner_hz + 1j * frequency_hz)
        return self.sensitivity_v_pa * high / (1 + 1j * frequency_hz / self.high_corner_hz)


@dataclass(frozen=True)
class MicrophoneState:
    """What the two corners remember between blocks."""

    low_corner: float = 0.0
    high_corner: float = 0.0


def hear(
    pressure_pa: FloatArray,
    microphone: Microphone,
    *,
    sample_rate_hz: float,
    state: MicrophoneState | None = None,
) -> tuple[FloatArray, MicrophoneState]:
    """Return (microphone_v, end state): overload limit, sensitivity, then the two corners.

    pressure_pa: shape (n,), Pa, band-limited and sampled at sample_rate_hz (the internal rate).
    microphone_v: shape (n,), V, without the resting voltage of the output.
    Raises ParameterError for samples of another shape.
    """
    from envlab.analog import kernels

    state = state or MicrophoneState()
    most_pa = microphone.overload_pa
    limited_pa = np.clip(sample_row("pressure_pa", pressure_pa), -most_pa, most_pa)
    volts = limited_pa * microphone.sensitivity_v_pa
    volts, low_corner = kernels.first_order(
        volts, *sections.high_pass(microphone.low_corner_hz, sample_rate_hz), state.low_corner
    )
    volts, high_corner = kernels.first_order(
        volts, *sections.low_pass(microphone.high_corner_hz, sample_rate_hz), state.high_corner
    )
    return volts, MicrophoneState(low_corner, high_corner)


def is_overloaded(pressure_pa: FloatArray, microphone: Microphone) -> BoolArray:
    """Return which samples, shape (n,), lie beyond the acoustic overload point."""
    return np.abs(pressure_pa) > microphone.overload_pa


def self_noise_pa(
    microphone: Microphone, samples: int, sample_rate_hz: float, rng: np.random.Generator
) -> FloatArray:
    """Return white noise, shape (samples,), Pa, that gives the microphone its self-noise.

    A data sheet states the A-weighted noise at the output, so the rms of the noise, white over the band of
    sample_rate_hz, is such that what passes the microphone's own corners has that level.
    """
    frequency_hz = np.linspace(0, sample_rate_hz / 2, 4097)[1:]
    low, high = frequency_hz / microphone.low_corner_hz, frequency_hz / microphone.high_corner_hz
    passed = low**2 / (1 + low**2) / (1 + high**2)
    weighted_share = float(np.mean(10 ** (a_weighting_db(frequency_hz) / 10) * passed))
    rms_pa = pressure_rms_pa(microphone.self_noise_db_spl) / math.sqrt(weighted_share)
    return rms_pa * rng.standard_normal(samples)
