"""A clip's signals at so few points that a page can draw them all: pressure, detector, counts, lightness."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from envlab.sound.recording import Recording
from envlab.study.listening.light import BoardLight
from envlab.units import FloatArray

POINTS_PER_S = 200.0
NAMES = ("pressure_pa", "detector_v", "adc_counts", "lightness")
UNITS = ("Pa", "V", "counts", "L*")
# Closer than this nobody looks: what is left there is the converter's last step.
_LEAST_V, _LEAST_COUNTS = 0.02, 5.0


@dataclass(frozen=True, eq=False)
class Traces:
    """rows: shape (4, points), in the order of NAMES; point n stands for n/rate_hz to (n + 1)/rate_hz.

    Pressure is the largest magnitude of its file samples; detector and counts are the highest reading, and
    lightness that of the frame shown at its beginning. limits: (low, high) to draw each in, in its unit: from
    0 to a round number above what the clip reaches.
    """

    rows: NDArray[np.float32]
    rate_hz: float
    limits: tuple[tuple[float, float], ...]


def pressure_peaks(recording: Recording) -> FloatArray:
    """Return the largest magnitude of pressure in each point, shape (points,), Pa."""
    magnitude = np.abs(recording.pressure_pa)
    starts = _starts(magnitude.size, recording.sample_rate_hz, _points(recording.duration_s))
    peaks: FloatArray = np.maximum.reduceat(magnitude, starts)
    return peaks


def traces_of(light: BoardLight, peaks_pa: FloatArray) -> Traces:
    """Return the traces of a whole clip's light; peaks_pa: the same clip's pressure_peaks."""
    chain, points = light.chain, peaks_pa.size
    starts = _starts(light.adc_counts.size, chain.adc.rate_hz, points)
    frame = np.floor(np.arange(points) * light.frame_rate_hz / POINTS_PER_S + 1e-9).astype(np.int64)
    lightness = light.lightness[np.minimum(frame, light.duty.size - 1)]
    detector_v = np.maximum.reduceat(light.detector_v, starts)
    counts = np.maximum.reduceat(light.adc_counts, starts).astype(np.float64)
    rows = np.stack((peaks_pa, detector_v, counts, lightness)).astype(np.float32)
    limits = (
        (0.0, _round_up(float(peaks_pa.max()))),
        (0.0, max(_LEAST_V, _round_up(float(detector_v.max())))),
        (0.0, max(_LEAST_COUNTS, _round_up(float(counts.max())))),
        (0.0, 100.0),
    )
    return Traces(rows, POINTS_PER_S, limits)


def _points(duration_s: float) -> int:
    return max(1, int(np.ceil(duration_s * POINTS_PER_S - 1e-9)))


def _starts(size: int, rate_hz: float, points: int) -> NDArray[np.int64]:
    """First sample of each point; where samples are rarer than points, a sample stands for several."""
    starts = np.ceil(np.arange(points) * rate_hz / POINTS_PER_S - 1e-9)
    if rate_hz < POINTS_PER_S:
        starts = np.floor(np.arange(points) * rate_hz / POINTS_PER_S + 1e-9)
    whole: NDArray[np.int64] = np.minimum(starts.astype(np.int64), size - 1)
    return whole


def _round_up(value: float) -> float:
    """The next 1, 2 or 5 of a decade; 1e-3 for nothing at all."""
    if value <= 0:
        return 1e-3
    decade = 10.0 ** np.floor(np.log10(value))
    return float(next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= value * (1 - 1e-9)))
