"""First-order high- and low-pass sections, from a corner frequency to a difference equation.

The bilinear transform bends the frequency axis by (ωT)²/12 (source: expansion of the tangent). What must be
right is the band of music, wherever the corner lies, from 20 Hz to 1 MHz:

- a low pass has its axis matched at MATCH_HZ; at the full internal rate, 352.8 kHz or more, the axis errs by
  at most 0.15 % from 20 Hz to 10 kHz, and little of that shows below the corner;
- a high pass, and the ground leg, act on low frequencies; there the plain transform is exact, and a match
  higher up would put 0.13 % into every corner;
- a section of a band filter, high or low pass, has its axis matched at its own corner, where it bends most. A
  corner above SECOND_MATCH_HZ is matched there: what such a low pass does to music is a delay.
"""

from __future__ import annotations

import math

import numpy as np

from envlab.units import FloatArray

MATCH_HZ = 7_500.0


# Matched here, an axis errs alike at both ends of the band of music.
SECOND_MATCH_HZ = 10_600.0


Section = tuple[float, float, float]


def numbers_of(section: FloatArray) -> Section:
    """Return (b0, b1, a1) as plain numbers, as a compiled loop keeps them in registers.

    section: shape (3,), ratios of output to input.
    """
    b0, b1, a1 = section
    return float(b0), float(b1), float(a1)


def _bilinear_constant(sample_rate_hz: float, match_hz: float = MATCH_HZ) -> float:
    match_rad_s = 2 * math.pi * match_hz
    return match_rad_s / math.tan(match_rad_s / (2 * sample_rate_hz))


def _discretise(num1: float, num0: float, den1: float, den0: float, k: float) -> FloatArray:
    scale = den0 + den1 * k
    return np.array([(num0 + num1 * k) / scale, (num0 - num1 * k) / scale, (den0 - den1 * k) / scale])


def high_pass(corner_hz: float, sample_rate_hz: float) -> FloatArray:
    """(b0, b1, a1) of s/(s + ω_c)."""
    return _discretise(1.0, 0.0, 1.0, 2 * math.pi * corner_hz, 2 * sample_rate_hz)


def low_pass(corner_hz: float, sample_rate_hz: float) -> FloatArray:
    """(b0, b1, a1) of ω_c/(s + ω_c)."""
    corner_rad_s = 2 * math.pi * corner_hz
    return _discretise(0.0, corner_rad_s, 1.0, corner_rad_s, _bilinear_constant(sample_rate_hz))


def gain_with_ground_leg(gain: float, corner_hz: float, sample_rate_hz: float) -> FloatArray:
    """(b0, b1, a1) of (gain·s + ω_c)/(s + ω_c): gain above the corner, 1 at rest; corner 0: gain."""
    corner_rad_s = 2 * math.pi * corner_hz
    if corner_hz == 0:
        return np.array([gain, 0.0, 0.0])
    return _discretise(gain, corner_rad_s, 1.0, corner_rad_s, 2 * sample_rate_hz)


def second_order(n2: float, n1: float, n0: float, d2: float, d1: float, sample_rate_hz: float) -> FloatArray:
    """(b0, b1, b2, a1, a2) of (n2·s² + n1·s + n0)/(d2·s² + d1·s + 1), whose corner is 1/√d2, or 1/d1."""
    corner_hz = 1 / (2 * math.pi * (math.sqrt(d2) if d2 > 0 else d1))
    k = _bilinear_constant(sample_rate_hz, min(corner_hz, SECOND_MATCH_HZ))
    scale = d2 * k * k + d1 * k + 1
    return (
        np.array(
            [
                n2 * k * k + n1 * k + n0,
                2 * (n0 - n2 * k * k),
                n2 * k * k - n1 * k + n0,
                2 * (1 - d2 * k * k),
                d2 * k * k - d1 * k + 1,
            ]
        )
        / scale
    )


def half_step(rate_rad_s: float, sample_rate_hz: float) -> float:
    """Half a step times a rate, on the axis of a low pass: q of the trapezoid (1 − q)/(1 + q)."""
    return rate_rad_s / _bilinear_constant(sample_rate_hz)
