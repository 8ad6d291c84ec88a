"""Analog-to-digital converter: volts at its instants in, counts out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.errors import ParameterError, check_range
from envlab.units import FloatArray, IntArray


@dataclass(frozen=True)
class Adc:
    """A converter that reads the detector at its own rate.

    bits: 6 to 16. reference_v: full scale, 0.1 to 30 V. rate_hz: readings a second, 10 to 1e6.
    noise_lsb: rms noise of one reading in counts, 0 to 100.
    """

    bits: int = 10
    reference_v: float = 3.3
    rate_hz: float = 1000.0
    noise_lsb: float = 0.3

    def __post_init__(self) -> None:
        if isinstance(self.bits, bool) or not isinstance(self.bits, int) or not 6 <= self.bits <= 16:
            raise ParameterError("bits", self.bits, "a whole number from 6 to 16")
        check_range("reference_v", self.reference_v, 0.1, 30, unit="V")
        check_range("rate_hz", self.rate_hz, 10, 1e6, unit="Hz")
        check_range("noise_lsb", self.noise_lsb, 0, 100, unit="LSB")

    @property
    def top_code(self) -> int:
        """Highest count, 2^bits − 1."""
        return int(2**self.bits - 1)

    @property
    def lsb_v(self) -> float:
        """Volts a count: reference_v/2^bits."""
        return float(self.reference_v / 2**self.bits)


def instants_s(duration_s: float, rate_hz: float) -> FloatArray:
    """Return the instants 0, 1/rate, 2/rate … before duration_s."""
    return np.arange(max(1, int(np.ceil(duration_s * rate_hz - 1e-9)))) / rate_hz


def stamps_of(times_s: FloatArray, samples: int, sample_rate_hz: float) -> tuple[IntArray, FloatArray]:
    """Return (n, fraction) so that the voltage at a time lies between the stamps of outputs n − 1 and n.

    Output n of the detector is stamped (n + ½)/sample_rate_hz; n = 0 reaches back to the start voltage,
    half a period before time 0. fraction: 0 at output n − 1, 1 at output n. After the last stamp the
    voltage stays.
    """
    position: FloatArray = np.minimum(times_s * sample_rate_hz + 0.5, samples)
    upper = np.clip(np.ceil(position), 1, samples).astype(np.int64) - 1
    return upper, position - upper


def read_at(
    held_v: FloatArray, times_s: FloatArray, *, sample_rate_hz: float, start_v: float = 0.0
) -> FloatArray:
    """Return the detector's voltage at times_s, straight between its stamps (see stamps_of)."""
    upper, fraction = stamps_of(times_s, held_v.size, sample_rate_hz)
    known_v: FloatArray = np.concatenate(([start_v], held_v))
    return known_v[upper] + fraction * (known_v[upper + 1] - known_v[upper])


def convert(detector_v: FloatArray, adc: Adc, *, rng: np.random.Generator | None = None) -> IntArray:
    """Return counts, floor(v/LSB) limited to 0 and the top code; with rng its noise is added first.

    detector_v: any shape, V at the pin. The rounding is that of a converter whose first step lies at one LSB.
    """
    lsb = detector_v / adc.lsb_v
    if rng is not None:
        lsb = lsb + adc.noise_lsb * rng.standard_normal(lsb.shape)
    return np.clip(np.floor(lsb), 0, adc.top_code).astype(np.int64)
