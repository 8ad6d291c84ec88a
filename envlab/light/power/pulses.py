"""Pixels switch: a mean current that the converter carries is made of pulses that it may not.

At a duty d every channel is on for the share d of each period of the pixels' PWM. Where all begin together
the supply sees all of them at full, then none. What a pulse takes beyond the converter's limit comes out of
the bulk capacitor, which is filled again until the next one: the rail falls by charge over capacitance.

The converter is taken as one that holds its voltage up to its limit and gives just its limit beyond. Real
ones are slower, and some shut down at the first pulse: the droop is the least that will be seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from envlab.errors import ParameterError, check_positive, check_range
from envlab.light.lightness import check_whole
from envlab.light.pixels import Pixels, Supply, full_current_a, idle_current_a

# Rounding of a mean that stands at the limit.
_AT_LIMIT = 1 + 1e-9


# Of many small pixels (from memory).
USUAL_PWM_HZ = 400.0


@dataclass(frozen=True)
class Pulses:
    """When the pixels switch.

    Parameters
    ----------
    pwm_hz : float
        Frequency of their PWM, 10 Hz to 1 MHz, by data sheet.
    phases : int
        Groups of the same size that begin one after the other, evenly over the period, 1 to 10 000; 1: all
        together.
    """

    pwm_hz: float = USUAL_PWM_HZ
    phases: int = 1

    def __post_init__(self) -> None:
        check_range("pwm_hz", self.pwm_hz, 10, 1e6, unit="Hz")
        check_whole("phases", self.phases, 1, 10_000)

    @property
    def period_s(self) -> float:
        """Time from one group's pulse to the next group's, s."""
        return 1 / (self.pwm_hz * self.phases)


def pulses_of(pixels: Pixels) -> Pulses:
    """Return when pixels switch, at USUAL_PWM_HZ where their data sheet is not stated."""
    return Pulses(USUAL_PWM_HZ if pixels.pwm_hz is None else pixels.pwm_hz, pixels.pwm_phases)


@dataclass(frozen=True)
class PulsedCurrent:
    """The current of one period between two groups' pulses: high_a for high_s, then low_a; mean_a of both."""

    high_a: float
    high_s: float
    low_a: float
    low_s: float

    @property
    def mean_a(self) -> float:
        """Mean current, A: that of supply_current_a."""
        return (self.high_a * self.high_s + self.low_a * self.low_s) / (self.high_s + self.low_s)


def pulsed_current(duty: float, pixels: Pixels, supply: Supply, pulses: Pulses) -> PulsedCurrent:
    """Return the current in A that all pixels take at one duty (0..1), step by step.

    Examples
    --------
    Two amperes of pixels at a quarter of the time, all together: 2 A for a quarter of 2.5 ms.

    >>> from envlab.light.pixels import Pixels, Supply
    >>> from envlab.light.power.pulses import Pulses, pulsed_current
    >>> lamps = Pixels(count=10, channels=1, channel_a=0.2, idle_a=0.0)
    >>> pulsed_current(0.25, lamps, Supply(limit_a=1.0), Pulses(400.0))
    PulsedCurrent(high_a=2.0, high_s=0.000625, low_a=0.0, low_s=0.001875)
    """
    check_range("duty", duty, 0.0, 1.0)
    idle_a = idle_current_a(pixels)
    step_a = (full_current_a(pixels, volts=supply.volts) - idle_a) / pulses.phases
    on = duty * pulses.phases
    always = min(math.floor(on), pulses.phases - 1)
    high_s = (on - always) * pulses.period_s
    low_a = idle_a + always * step_a
    return PulsedCurrent(low_a + step_a, high_s, low_a, pulses.period_s - high_s)


def charge_beyond_c(duty: float, pixels: Pixels, supply: Supply, pulses: Pulses) -> float:
    """Return the charge in C that one pulse at a duty takes beyond what the converter gives the pixels.

    It gives its whole limit, less what the controller takes; a margin is planned with, and is there.

    Raises ParameterError for a duty (0..1) whose mean current is above the converter's limit: then no
    capacitor helps.
    """
    current = pulsed_current(duty, pixels, supply, pulses)
    given_a = supply.limit_a - supply.counted_controller_a
    if current.mean_a > given_a * _AT_LIMIT:
        limit = f"one whose mean of {current.mean_a:.3g} A the {supply.name}'s {supply.limit_a:g} A carry"
        raise ParameterError("duty", duty, limit)
    return max(0.0, current.high_a - given_a) * current.high_s


def droop_v(duty: float, pixels: Pixels, supply: Supply, pulses: Pulses, bulk_farad: float) -> float:
    """Return by how many volts a pulse at a duty (0..1) lets the rail fall: charge over capacitance.

    At most supply.volts. bulk_farad: of the bulk capacitor, F, above 0.
    """
    check_positive("bulk_farad", bulk_farad, unit="F")
    return min(supply.volts, charge_beyond_c(duty, pixels, supply, pulses) / bulk_farad)


def scatter_a(duty: float, pixels: Pixels, supply: Supply) -> float:
    """Return the standard deviation in A of the current where each pixel's PWM begins when it likes.

    The sum of independent pixels, each on for the share duty (0..1) of the time: binomial.
    """
    check_range("duty", duty, 0.0, 1.0)
    pixel_a = pixels.channels * pixels.channel_supply_a(supply.volts)
    return math.sqrt(pixels.count * duty * (1 - duty)) * pixel_a
