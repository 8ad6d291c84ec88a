"""What a board makes of its own lights' current while they shine: the duty that a duty comes back as.

The current of pixels that switch is a square wave, and a detector follows its edges: at a duty of a tenth its
fundamental has a fifth of its height. So the whole wave goes through the board, not one frequency of it. It
is made of its Fourier series up to half the rate (a square of duty d has harmonics 2/(πk)·sin(πkd) of its
height), each weighed by the coupling, and runs through preamp, filter and rectifier until they are settled.
The voltage that the hold capacitor then comes to is the one that one period leaves as it found it.

The mean of the current does not come back while the light is steady: coupling capacitors keep it out. That
lights which change say more, run_closed shows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from envlab.analog.envelope import hold_rectified
from envlab.analog.stage import Surroundings
from envlab.chain import Chain
from envlab.engine.board import front_end_of
from envlab.engine.front_end import FrontEnd
from envlab.light.pixels import full_current_a, idle_current_a
from envlab.light.power.coupling import Coupling
from envlab.sound.interpolate import INTERNAL_RATE_MIN_HZ
from envlab.units import FloatArray

# Duties at which the loop is tried, as shares of the largest, evenly in the logarithm.
SHARES = tuple(float(share) for share in np.geomspace(1 / 256, 1.0, 17))
# Samples of a pulse, where 4 MHz do for that; never fewer than 16 of a period.
_OF_A_PULSE, _FASTEST_HZ, _LEAST_SAMPLES = 64, 4e6, 16
# How long the stages before the detector are given to settle, s, and periods in which its own state follows.
_SETTLES_S, _FOLLOWS = 0.06, 3
_EXACT_V = 1e-6


@dataclass(frozen=True)
class ReturnedDuty:
    """duty: of all pixels, 0 to 1. returned: what the table would show of what its current does, 0 to 1."""

    duty: float
    returned: float

    @property
    def gain(self) -> float:
        """The one over the other."""
        return self.returned / self.duty


def returned_duties(
    chain: Chain, coupling: Coupling, shares: tuple[float, ...] = SHARES
) -> tuple[ReturnedDuty, ...]:
    """Return what duties come back as in a silent room, at shares (0..1) of the table's largest."""
    table = chain.brightness_table()
    largest = table.brightest_code / table.full_code
    duties = [share * largest for share in shares]
    counts = np.array([_counts(chain, coupling, duty) for duty in duties])
    shown = table.look_up(counts) / table.full_code
    return tuple(ReturnedDuty(duty, float(back)) for duty, back in zip(duties, shown, strict=True))


def swing_a(chain: Chain) -> float:
    """Return the current of all pixels at full less that of all dark, A."""
    return full_current_a(chain.pixels, volts=chain.supply.volts) - idle_current_a(chain.pixels)


def coupled_period_v(chain: Chain, coupling: Coupling, duty: float) -> tuple[FloatArray, float]:
    """Return one period of what a duty (0..1) puts into the microphone's signal, V, and its sample rate, Hz.

    Shape (samples,), without its mean.
    """
    fine_hz = _OF_A_PULSE * coupling.pwm_hz / duty
    wanted_hz = max(INTERNAL_RATE_MIN_HZ, min(fine_hz, _FASTEST_HZ))
    samples = max(_LEAST_SAMPLES, round(wanted_hz / coupling.pwm_hz))
    order = np.arange(1, samples // 2)
    # Of a series that is cut off, edges overshoot by a tenth (Gibbs); weighed by sinc they do not (Lanczos).
    rounded = np.sinc(2 * order / samples)
    height_a = swing_a(chain) * 2 / (np.pi * order) * np.sin(np.pi * order * duty) * rounded
    response = np.array([coupling.response(float(k) * coupling.pwm_hz) for k in order])
    # Cosines round the middle of the pulse; irfft gives half of a term to each of its two ends.
    spectrum = np.zeros(samples // 2 + 1, dtype=np.complex128)
    spectrum[order] = height_a * response * samples / 2
    return np.fft.irfft(spectrum, samples), samples * coupling.pwm_hz


def settled_v(chain: Chain, coupling: Coupling, duty: float) -> float:
    """Return what the hold capacitor comes to while all pixels shine at a duty (0..1), V above silence."""
    period_v, rate_hz = coupled_period_v(chain, coupling, duty)
    drive_v = _settled_drive(chain, period_v, rate_hz)
    around = chain.quiescent_state

    def after(held_v: float) -> tuple[float, float]:
        """What is held after some periods, and what their last one gained."""
        state = replace(around, held_v=held_v)
        held, _ = hold_rectified(
            drive_v, chain.rectifier_as_built, chain.detector_as_built, sample_rate_hz=rate_hz, state=state
        )
        return float(held[-1]), float(held[-1] - held[-1 - period_v.size])

    rest_v = around.held_v
    most_v = max(rest_v, float(drive_v.max()), after(rest_v)[0]) + 1e-3
    at_v = _where_nothing_is_gained(lambda v: after(v)[1], rest_v, most_v)
    held, _ = hold_rectified(
        drive_v[: period_v.size],
        chain.rectifier_as_built,
        chain.detector_as_built,
        sample_rate_hz=rate_hz,
        state=replace(around, held_v=at_v),
    )
    return float(held.mean()) - rest_v


def _where_nothing_is_gained(gained_v: Callable[[float], float], low_v: float, high_v: float) -> float:
    """The more is held, the less a period adds: one voltage at which it adds nothing."""
    from scipy.optimize import brentq

    if gained_v(low_v) <= 0:
        return low_v
    if gained_v(high_v) >= 0:
        return high_v
    return float(brentq(gained_v, low_v, high_v, xtol=_EXACT_V))


def _settled_drive(chain: Chain, period_v: FloatArray, rate_hz: float) -> FloatArray:
    """What the rectifier offers over the last periods, the stages before it settled."""
    first, *rest = front_end_of(chain).items()
    behind = FrontEnd(dict(rest), first[1].surroundings_behind(Surroundings(rate_hz)))
    periods = int(np.ceil(_SETTLES_S * rate_hz / period_v.size)) + _FOLLOWS
    node = behind.advance(np.tile(period_v, periods)).nodes[rest[-1][0]]
    return np.ascontiguousarray(node[-_FOLLOWS * period_v.size :])


def _counts(chain: Chain, coupling: Coupling, duty: float) -> float:
    rise_v = max(0.0, settled_v(chain, coupling, duty)) * chain.adc.settled_share
    return chain.adc_as_built.envelope_lsb(rise_v, chain.quiescent_v)
