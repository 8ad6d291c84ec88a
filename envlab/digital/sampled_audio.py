"""The all-digital alternative: a fast ADC on the preamp, rectified and followed in firmware.

It saves the rectifier and the detector's three parts and costs a faster ADC and processor time. What lies
above half the ADC's rate is folded down, as on a board without an anti-alias filter; for an envelope that
matters little, since folding keeps a tone's amplitude.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.analog.adc import Adc, convert, instants_s
from envlab.digital.followers import Follower, follow
from envlab.errors import ParameterError, check_positive, check_range
from envlab.units import FloatArray


@dataclass(frozen=True)
class SampledAudio:
    """A fast ADC on the preamp's output and a follower behind it.

    adc: its rate_hz is the rate of the firmware's follower. bias_v: what the preamp rests at. follower: at
    adc.rate_hz. reading_rate_hz: rate at which the envelope is handed on.
    """

    adc: Adc
    bias_v: float
    follower: Follower
    reading_rate_hz: float = 1000.0

    def __post_init__(self) -> None:
        check_range("bias_v", self.bias_v, 0.0, self.adc.reference_v, unit="V")
        check_range("reading_rate_hz", self.reading_rate_hz, 1.0, self.adc.rate_hz, unit="Hz")


def sampled_envelope(
    preamp_v: FloatArray,
    audio: SampledAudio,
    *,
    sample_rate_hz: float,
    rng: np.random.Generator | None = None,
) -> FloatArray:
    """Return the envelope in counts at 0, 1/reading_rate_hz …, shape (readings,).

    preamp_v: shape (n,), V relative to the bias, at the internal rate sample_rate_hz, at least the ADC's.
    The firmware takes the magnitude of each reading's distance from the bias in whole counts, so half of the
    ADC's range serves: one bit less than behind an analog rectifier. With rng the ADC adds its noise.
    """
    check_positive("sample_rate_hz", sample_rate_hz, unit="Hz")
    if preamp_v.ndim != 1 or not preamp_v.size:
        raise ParameterError("preamp_v", preamp_v.shape, "a row of at least one sample")
    check_range("rate_hz", audio.adc.rate_hz, high=sample_rate_hz, unit="Hz")
    times = instants_s(preamp_v.size / sample_rate_hz, audio.adc.rate_hz)
    at = np.minimum(np.rint(times * sample_rate_hz).astype(np.int64), preamp_v.size - 1)
    counts = convert(audio.bias_v + preamp_v[at], audio.adc, rng=rng)
    rest = convert(np.array([audio.bias_v]), audio.adc)[0]
    magnitude = np.abs(counts - rest).astype(np.float64)
    followed, _ = follow(magnitude, audio.follower, rate_hz=audio.adc.rate_hz)
    readings = instants_s(preamp_v.size / sample_rate_hz, audio.reading_rate_hz)
    latest = np.floor(readings * audio.adc.rate_hz + 1e-9).astype(np.int64)
    return followed[np.minimum(latest, followed.size - 1)]


def processor_share(cycles: float, rate_hz: float, clock_hz: float = 16e6) -> float:
    """Return the share of a processor (1 is all of it) that so many cycles at a rate take."""
    check_range("cycles", cycles, 0.0)
    check_positive("rate_hz", rate_hz, unit="Hz")
    check_positive("clock_hz", clock_hz, unit="Hz")
    return cycles * rate_hz / clock_hz
