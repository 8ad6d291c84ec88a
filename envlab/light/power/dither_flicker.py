"""Does temporal dither itself flicker? Its pattern, code by code, against IEEE 1789-2015 [IEEE1789].

A duty between two codes is shown as the upper one in some of 2^bits refreshes and as the lower one in the
others. Between codes n and n + 1 the light is modulated by (1 − 0)/(2·n + 1): all of it above the dark, a
hundredth at code 50. The whole of that is taken at the rate at which the pattern repeats, its slowest part;
what of it lies at faster rates is harmless sooner. Limits as in pwm.py, from secondary sources, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from envlab.errors import check_positive, check_range
from envlab.light.lightness import check_whole, lightness_cie1976
from envlab.light.power.pwm import PwmFlicker, pwm_flicker


@dataclass(frozen=True)
class DitherFlicker:
    """One design's dither.

    repetition_hz: rate at which the pattern repeats, Hz. low_risk_code, no_effect_code: codes of the pixel
    from which on its modulation keeps either limit; brightest_code: of the limited costume.
    """

    dither_bits: int
    refresh_hz: float
    frame_rate_hz: float
    repetition_hz: float
    low_risk_code: int
    no_effect_code: int
    brightest_code: int

    def at_code(self, code: int) -> PwmFlicker:
        """Return how the dither between a code and the next one stands, code 0 or more."""
        return pwm_flicker(self.repetition_hz, 100.0 / (2 * code + 1))

    @property
    def low_risk_lstar(self) -> float:
        """L* of low_risk_code, over the brightest state, at most 100."""
        return float(lightness_cie1976(np.minimum(self.low_risk_code / self.brightest_code, 1.0)))

    @property
    def words(self) -> str:
        """The dither's refresh and its flicker, in words."""
        times = self.refresh_hz / self.frame_rate_hz
        text = (
            f"Dither adds {self.dither_bits} bit: the pixels are written {self.refresh_hz:g} times a second,"
            f" {times:g} for each frame, and its pattern repeats at {self.repetition_hz:g} Hz."
        )
        limit = self.at_code(0).low_risk_percent
        if self.low_risk_code == 0:
            return f"{text} After IEEE 1789-2015 its flicker is of low risk at every brightness."
        return (
            f"{text} After IEEE 1789-2015 its flicker is of low risk from code {self.low_risk_code} of"
            f" {self.brightest_code} on (L* {self.low_risk_lstar:.0f}), and without observable effect from"
            f" code {self.no_effect_code} on. Darker light is modulated by more than the {limit:.3g} % that"
            " are of low risk at that rate: do not wave it quickly, or take deeper pixels."
        )


def dither_flicker(
    dither_bits: int, refresh_hz: float, frame_rate_hz: float, brightest_code: int
) -> DitherFlicker:
    """Return how a dither stands against IEEE 1789-2015.

    Parameters
    ----------
    dither_bits : int
        1 to 4.
    refresh_hz, frame_rate_hz : float
        How often the pixels are written and new frames come, above 0 Hz, the former not slower.
    brightest_code : int
        Of the limited costume at the pixel's own depth, 1 or more.

    Returns
    -------
    DitherFlicker

    Raises
    ------
    ParameterError
        For any other numbers.

    Examples
    --------
    >>> flicker = dither_flicker(2, 800.0, 100.0, 70)
    >>> flicker.repetition_hz, flicker.low_risk_code, flicker.no_effect_code
    (200.0, 3, 8)
    """
    check_whole("dither_bits", dither_bits, 1, 4)
    check_positive("frame_rate_hz", frame_rate_hz, unit="Hz")
    check_range("refresh_hz", refresh_hz, frame_rate_hz, unit="Hz")
    check_whole("brightest_code", brightest_code, 1, 65_535)
    repetition_hz = refresh_hz / (1 << dither_bits)
    whole = pwm_flicker(repetition_hz, 100.0)
    low_risk, no_effect = (
        _first_code(percent) for percent in (whole.low_risk_percent, whole.no_effect_percent)
    )
    return DitherFlicker(
        dither_bits, refresh_hz, frame_rate_hz, repetition_hz, low_risk, no_effect, brightest_code
    )


def _first_code(most_percent: float) -> int:
    """The first code n of which 100/(2·n + 1) is at most so many percent."""
    return max(int(np.ceil((100.0 / most_percent - 1) / 2 - 1e-9)), 0)
