"""First-order high- and low-pass sections, from a corner frequency to a difference equation.

The bilinear transform, with its frequency axis matched at MATCH_HZ instead of at the corner: a corner may
lie at 20 Hz or at 1 MHz, but what must be right is the band of music. At the internal rate of at least
352.8 kHz the frequency axis then errs by at most 0.15 % from 20 Hz to 10 kHz (source: expansion of the
tangent, error (ωT)²/12).
"""

from __future__ import annotations

import math

import numpy as np

from envlab.units import FloatArray

MATCH_HZ = 7_500.0


# A second-order stop band errs twice as much; matched here it errs alike at both ends of the band.
SECOND_MATCH_HZ = 10_600.0


def _bilinear_constant(sample_rate_hz: float, match_hz: float = MATCH_HZ) -> float:
    match_rad_s = 2 * math.pi * match_hz
    return match_rad_s / math.tan(match_rad_s / (2 * sample_rate_hz))


def _discretise(num1: float, num0: float, den1: float, den0: float, sample_rate_hz: float) -> FloatArray:
    k = _bilinear_constant(sample_rate_hz)
    scale = den0 + den1 * k
    return np.array([(num0 + num1 * k) / scale, (num0 - num1 * k) / scale, (den0 - den1 * k) / scale])


def high_pass(corner_hz: float, sample_rate_hz: float) -> FloatArray:
    """(b0, b1, a1) of s/(s + ω_c)."""
    return _discretise(1.0, 0.0, 1.0, 2 * math.pi * corner_hz, sample_rate_hz)


def low_pass(corner_hz: float, sample_rate_hz: float) -> FloatArray:
    """(b0, b1, a1) of ω_c/(s + ω_c)."""
    corner_rad_s = 2 * math.pi * corner_hz
    return _discretise(0.0, corner_rad_s, 1.0, corner_rad_s, sample_rate_hz)


def gain_with_ground_leg(gain: float, corner_hz: float, sample_rate_hz: float) -> FloatArray:
    """(b0, b1, a1) of (gain·s + ω_c)/(s + ω_c): gain above the corner, 1 at rest; corner 0: gain."""
    corner_rad_s = 2 * math.pi * corner_hz
    if corner_hz == 0:
        return np.array([gain, 0.0, 0.0])
    return _discretise(gain, corner_rad_s, 1.0, corner_rad_s, sample_rate_hz)


def second_order(n2: float, n1: float, n0: float, d2: float, d1: float, sample_rate_hz: float) -> FloatArray:
    """(b0, b1, b2, a1, a2) of (n2·s² + n1·s + n0)/(d2·s² + d1·s + 1)."""
    k = _bilinear_constant(sample_rate_hz, SECOND_MATCH_HZ)
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
    """Half a step times a rate, on the same matched frequency axis: q of the trapezoid (1 − q)/(1 + q)."""
    return rate_rad_s / _bilinear_constant(sample_rate_hz)
