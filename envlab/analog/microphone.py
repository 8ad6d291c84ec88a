"""Microphone: pascal in, volts out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from envlab.analog import sections
from envlab.analog.noise import fill_normal
from envlab.analog.sample_checks import sample_row
from envlab.analog.stage import Advanced, AnalogStage, Surroundings
from envlab.errors import ParameterError, check_choice, check_range
from envlab.sound.level import weighting_db
from envlab.units import BoolArray, FloatArray, from_db, pressure_rms_pa

# End of the smooth bend over the overload point; such that a sine whose peak lies there has 10 % distortion.
SMOOTH_END = 0.777870447914


@dataclass(frozen=True)
class Microphone(AnalogStage):
    """An analog microphone by its data-sheet metrics.

    Parameters
    ----------
    sensitivity_dbv_pa : float
        dB re 1 V/Pa at 1 kHz, −80 to 0 (−42 is 7.94 mV/Pa).
    signal_to_noise_db : float
        dB(A) re 94 dB SPL, 30 to 90; self-noise is 94 dB SPL minus this.
    overload_db_spl : float
        Acoustic overload point, rms of a sine in dB SPL, 90 to 160.
    low_corner_hz, high_corner_hz : float
        −3 dB corners, one pole each; 1 Hz ≤ low < high ≤ 100 kHz.
    overload : str
        "clip" passes everything up to overload_db_spl whole and nothing beyond; "smooth" bends before it, so
        that a sine at overload_db_spl has 10 % distortion, which is how data sheets define the point.
    covering_loss_db : float
        What cloth or foam over the port takes at all frequencies, 0 to 40 dB.
    covering_corner_hz : float or None
        From where on it takes more, one pole, 20 Hz to 100 kHz; None: nowhere.
    """

    sensitivity_dbv_pa: float = -42.0
    signal_to_noise_db: float = 62.0
    overload_db_spl: float = 120.0
    low_corner_hz: float = 40.0
    high_corner_hz: float = 15_000.0
    overload: str = "clip"
    covering_loss_db: float = 0.0
    covering_corner_hz: float | None = None

    def __post_init__(self) -> None:
        check_range("sensitivity_dbv_pa", self.sensitivity_dbv_pa, -80, 0, unit="dB re 1 V/Pa")
        check_range("signal_to_noise_db", self.signal_to_noise_db, 30, 90, unit="dB(A)")
        check_range("overload_db_spl", self.overload_db_spl, 90, 160, unit="dB SPL")
        check_range("low_corner_hz", self.low_corner_hz, 1, 100e3, unit="Hz")
        check_range("high_corner_hz", self.high_corner_hz, 1, 100e3, unit="Hz")
        if self.low_corner_hz >= self.high_corner_hz:
            raise ParameterError("low_corner_hz", self.low_corner_hz, "below high_corner_hz")
        check_choice("overload", self.overload, ("clip", "smooth"))
        check_range("covering_loss_db", self.covering_loss_db, 0, 40, unit="dB")
        if self.covering_corner_hz is not None:
            check_range("covering_corner_hz", self.covering_corner_hz, 20, 100e3, unit="Hz")

    @property
    def sensitivity_v_pa(self) -> float:
        """Volts per pascal."""
        return from_db(self.sensitivity_dbv_pa)

    @property
    def overload_pa(self) -> float:
        """Largest peak pressure that still passes: √2 · 20 µPa · 10^(AOP/20)."""
        return math.sqrt(2) * pressure_rms_pa(self.overload_db_spl)

    @property
    def limits_pa(self) -> tuple[float, float]:
        """Pressures, negative and positive, beyond which the capsule is overloaded."""
        return -self.overload_pa, self.overload_pa

    @property
    def loudest_pa(self) -> tuple[float, float]:
        """Peaks of a tone, negative and positive, that capsule and output just follow."""
        return self.limits_pa

    @property
    def output_ohm(self) -> float:
        """Resistance of its output: nothing, unless a microphone says otherwise."""
        return 0.0

    def covering_response(self, frequency_hz: float) -> complex:
        """Pressure at the port over pressure in the air at a frequency."""
        corner_hz = self.covering_corner_hz
        pole = 1 if corner_hz is None else 1 + 1j * frequency_hz / corner_hz
        return from_db(-self.covering_loss_db) / pole

    @property
    def self_noise_db_spl(self) -> float:
        """Equivalent input noise, A-weighted, in dB SPL."""
        return 94.0 - self.signal_to_noise_db

    def response(self, frequency_hz: float) -> complex:
        """Volts per pascal in the air at a frequency: covering, sensitivity and both corners, H(jω)."""
        high = 1j * frequency_hz / (self.low_corner_hz + 1j * frequency_hz)
        heard = self.sensitivity_v_pa * high / (1 + 1j * frequency_hz / self.high_corner_hz)
        return self.covering_response(frequency_hz) * heard

    def advance(self, signal: FloatArray, around: Surroundings, state: Any) -> Advanced:
        """Return one block of volts; limited where it is overloaded.

        signal: shape (n,), pressure, Pa.
        """
        volts, end = hear(signal, self, sample_rate_hz=around.sample_rate_hz, state=state)
        return Advanced(volts, end, overloaded_if_any(signal, self))


@dataclass(frozen=True)
class MicrophoneState:
    """What low_corner and high_corner (V) and the covering (Pa) remember between blocks."""

    low_corner: float = 0.0
    high_corner: float = 0.0
    covering: float = 0.0


def hear(
    pressure_pa: FloatArray,
    microphone: Microphone,
    *,
    sample_rate_hz: float,
    state: MicrophoneState | None = None,
) -> tuple[FloatArray, MicrophoneState]:
    """Return (microphone_v, end state): covering, overload, sensitivity, then the two corners.

    Of an electret, what its drain would give without limits and load (electret.py).

    pressure_pa: shape (n,), Pa, band-limited and sampled at sample_rate_hz (the internal rate).
    microphone_v: shape (n,), V, without the resting voltage of the output.
    Raises ParameterError for samples of another shape.
    """
    from envlab.analog.kernels import front_kernels

    state = state or MicrophoneState()
    at_port_pa, covering = _behind_covering(
        sample_row("pressure_pa", pressure_pa), microphone, sample_rate_hz, state.covering
    )
    if microphone.overload == "smooth":
        at_port_pa = overloaded_pa(at_port_pa, microphone)
    volts, end = front_kernels.hear_block(
        at_port_pa,
        (*microphone.limits_pa, microphone.sensitivity_v_pa),
        *corners_of(microphone, sample_rate_hz),
        np.array((state.low_corner, state.high_corner)),
    )
    return volts, MicrophoneState(float(end[0]), float(end[1]), covering)


# Asked for by every block.
@lru_cache(maxsize=4096)
def corners_of(microphone: Microphone, sample_rate_hz: float) -> tuple[sections.Section, sections.Section]:
    """Return the sections of the low and of the high corner."""
    low = sections.high_pass(microphone.low_corner_hz, sample_rate_hz)
    high = sections.low_pass(microphone.high_corner_hz, sample_rate_hz)
    return sections.numbers_of(low), sections.numbers_of(high)


def _behind_covering(
    pressure_pa: FloatArray, microphone: Microphone, sample_rate_hz: float, state: float
) -> tuple[FloatArray, float]:
    from envlab.analog.kernels import stage_kernels as kernels

    if microphone.covering_loss_db > 0:
        pressure_pa = pressure_pa * from_db(-microphone.covering_loss_db)
    if microphone.covering_corner_hz is None:
        return pressure_pa, state
    pole = sections.low_pass(microphone.covering_corner_hz, sample_rate_hz)
    at_port_pa, end = kernels.first_order(pressure_pa, *pole, state)
    return at_port_pa, end


def overloaded_pa(pressure_pa: FloatArray, microphone: Microphone) -> FloatArray:
    """Return the pressure, shape (n,), that the microphone makes volts of.

    "smooth" is x/(1 + |x/L|⁴)^¼, which begins as x and ends at L.
    """
    low_pa, high_pa = microphone.limits_pa
    if microphone.overload == "clip":
        limited: FloatArray = np.clip(pressure_pa, low_pa, high_pa)
        return limited
    share = SMOOTH_END
    end_pa = np.where(pressure_pa < 0, -share * low_pa, share * high_pa)
    return np.asarray(pressure_pa / (1 + (pressure_pa / end_pa) ** 4) ** 0.25)


def is_overloaded(pressure_pa: FloatArray, microphone: Microphone) -> BoolArray:
    """Return which samples, shape (n,), lie beyond the overload point; a covering's corner is not counted."""
    low_pa, high_pa = microphone.limits_pa
    if microphone.covering_loss_db > 0:
        pressure_pa = pressure_pa * from_db(-microphone.covering_loss_db)
    return np.asarray((pressure_pa < low_pa) | (pressure_pa > high_pa))


def overloaded_if_any(pressure_pa: FloatArray, microphone: Microphone) -> BoolArray | None:
    """is_overloaded, and None for nowhere, which is soon known."""
    low_pa, high_pa = microphone.limits_pa
    share = from_db(-microphone.covering_loss_db) if microphone.covering_loss_db > 0 else 1.0
    if not pressure_pa.size or (pressure_pa.min() * share >= low_pa and pressure_pa.max() * share <= high_pa):
        return None
    return is_overloaded(pressure_pa, microphone)


def self_noise_pa(
    microphone: Microphone, samples: int, sample_rate_hz: float, rng: np.random.Generator
) -> FloatArray:
    """Return white noise, shape (samples,), Pa, that gives the microphone its self-noise.

    rng: in blocks, one after the other, it gives the noise of the whole.
    """
    noise_pa = np.empty(samples)
    fill_normal(rng, noise_pa)
    noise_pa *= self_noise_rms_pa(microphone, sample_rate_hz)
    return noise_pa


@lru_cache(maxsize=64)
def self_noise_rms_pa(microphone: Microphone, sample_rate_hz: float) -> float:
    """Return the rms pressure, Pa, of white noise that gives the microphone its self-noise.

    A data sheet states the A-weighted noise at the output, so the rms of the noise, white over the band of
    sample_rate_hz, is such that what passes covering and corners has that level at the output.
    """
    frequency_hz = np.linspace(0, sample_rate_hz / 2, 4097)[1:]
    low, high = frequency_hz / microphone.low_corner_hz, frequency_hz / microphone.high_corner_hz
    passed = low**2 / (1 + low**2) / (1 + high**2)
    passed *= np.abs([microphone.covering_response(float(f)) for f in frequency_hz]) ** 2
    weighted_share = float(np.mean(10 ** (weighting_db(frequency_hz, "A") / 10) * passed))
    return pressure_rms_pa(microphone.self_noise_db_spl) / math.sqrt(weighted_share)
