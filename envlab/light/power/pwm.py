"""Does the pixel's own PWM flicker? Its frequency against IEEE 1789-2015 [IEEE1789].

Limits of modulation in percent at a frequency f in Hz (secondary sources, from memory): no observable effect
0.01·f below 90 Hz, 0.0333·f from there to 3 kHz, none above; low risk 0.025·f below 90 Hz, 0.08·f from there
to 1250 Hz, none above. PWM is 100 % modulation: full on, full off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from envlab.errors import check_positive, check_range

Verdict = Literal["no observable effect", "low risk", "risk"]


@dataclass(frozen=True)
class PwmFlicker:
    """One PWM frequency against both limits, each in percent and at most 100."""

    frequency_hz: float
    modulation_percent: float
    no_effect_percent: float
    low_risk_percent: float

    @property
    def verdict(self) -> Verdict:
        """The stricter limit that is kept."""
        if self.modulation_percent <= self.no_effect_percent:
            return "no observable effect"
        return "low risk" if self.modulation_percent <= self.low_risk_percent else "risk"

    @property
    def words(self) -> str:
        """The verdict in words."""
        text = (
            f"PWM at {self.frequency_hz:g} Hz with {self.modulation_percent:g} % modulation: {self.verdict}"
        )
        if self.verdict == "risk":
            return (
                f"{text} after IEEE 1789-2015 (at most {self.low_risk_percent:.3g} % there). Take pixels with"
                " PWM above 1250 Hz (3 kHz for no observable effect), and do not wave these quickly."
            )
        return f"{text} after IEEE 1789-2015."


def pwm_flicker(frequency_hz: float, modulation_percent: float = 100.0) -> PwmFlicker:
    """Return how a PWM frequency (above 0 Hz) and its modulation (0..100 %) stand against IEEE 1789-2015.

    Parameters
    ----------
    frequency_hz : float
        Of the PWM, above 0 Hz.
    modulation_percent : float
        0 to 100 %; PWM between full and dark has 100 %.

    Returns
    -------
    PwmFlicker
    """
    check_positive("frequency_hz", frequency_hz, unit="Hz")
    check_range("modulation_percent", modulation_percent, 0.0, 100.0, unit="%")
    below = frequency_hz < 90.0
    no_effect = 100.0 if frequency_hz > 3000.0 else (0.01 if below else 0.0333) * frequency_hz
    low_risk = 100.0 if frequency_hz > 1250.0 else (0.025 if below else 0.08) * frequency_hz
    return PwmFlicker(frequency_hz, modulation_percent, min(no_effect, 100.0), min(low_risk, 100.0))
