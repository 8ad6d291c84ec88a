"""Lights that disturb the microphone: from the pixels' current back to the lights.

The pixels draw their current through the same rail and the same ground as the microphone. What the current
does to the rail passes the regulator's rejection, the RC that decouples microphone load and bias, and the
microphone's own rejection; what it does to a shared piece of ground stands in the signal as it is.
Pixels switch: at duty d the current is on for the share d of each period of pwm_hz.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass

import numpy as np

from envlab.analog.envelope import hold_rectified
from envlab.analog.microphone import self_noise_pa
from envlab.analog.noise import noise_streams
from envlab.analog.stage import Surroundings
from envlab.chain import Chain
from envlab.engine.board import front_end_of, response_before_rectifier
from envlab.engine.front_end import FrontEnd
from envlab.engine.light_path import light_of_counts
from envlab.engine.quantiser import Quantiser
from envlab.engine.waves import WhiteNoise
from envlab.errors import EnvlabWarning
from envlab.light.lightness import lightness_cie1976
from envlab.light.power.coupling import Coupling
from envlab.seeds import Seed
from envlab.sound.interpolate import internal_rate_hz, interpolate
from envlab.sound.recording import Recording
from envlab.study.feedback_wave import returned_duties, swing_a
from envlab.units import FloatArray

WARN_FROM = 0.5


def loop_gain(chain: Chain, coupling: Coupling) -> float:
    """Return the largest duty that a duty comes back as, over that duty: 1 keeps itself alight.

    The square wave of the switched current at duties over all of the table, through coupling, preamp, filter,
    rectifier and settled detector, read by the table (feedback_wave.py). Warns (EnvlabWarning) from WARN_FROM
    on.
    """
    gain = gain_of_loop(chain, coupling)
    if gain >= WARN_FROM:
        warnings.warn(
            f"The lights hear themselves: a duty comes back as {gain:.2f} of itself, which should be well"
            " below 1: more decoupling before the microphone's load, a ground of its own for the pixels, or a"
            " higher floor.",
            EnvlabWarning,
            stacklevel=2,
        )
    return gain


def gain_of_loop(chain: Chain, coupling: Coupling) -> float:
    """Return the same share as loop_gain and warn of nothing, for those who say what follows."""
    return max(one.gain for one in returned_duties(chain, coupling))


def gain_of_fundamental(chain: Chain, coupling: Coupling) -> float:
    """Return the same share with the fundamental of the square wave alone.

    Of pixels whose PWM lies where the board still hears its multiples it is the lesser part: a detector of
    peaks follows the edges. So it is a lower bound, and can be reckoned by hand.
    """
    table, scale = chain.brightness_table(), chain.level_scale()
    swing = swing_a(chain)
    duty = np.linspace(1e-3, 1, 400) * float(table.duty.max())
    through = coupling.response(coupling.pwm_hz) * response_before_rectifier(chain, coupling.pwm_hz)
    # A square wave of duty d has a fundamental of 2/π·sin(πd) of its height (Fourier series).
    peak_v = swing * 2 / math.pi * np.sin(np.pi * duty) * abs(through)
    limit_v = min(chain.preamp.swing_up_v, chain.preamp.swing_down_v)
    one_pa_v = chain.peak_at_rectifier_v(94.0)
    counts = [
        scale.counts(94.0 + 20 * math.log10(max(v, 1e-12) / one_pa_v)) for v in np.minimum(peak_v, limit_v)
    ]
    return float(np.max(table.look_up(np.asarray(counts)) / table.full_code / duty))


@dataclass(frozen=True, eq=False)
class ClosedLoop:
    """duty: shape (frames,), with the lights' current coupled back. open_duty: without."""

    duty: FloatArray
    open_duty: FloatArray
    full_duty: float

    def lit_share(self, above_lstar: float = 5.0) -> tuple[float, float]:
        """Share of frames with L* above a value: (with the loop closed, with it open)."""
        shares = [
            float(np.mean(lightness_cie1976(duty / self.full_duty) > above_lstar))
            for duty in (self.duty, self.open_duty)
        ]
        return shares[0], shares[1]


def run_closed(chain: Chain, coupling: Coupling, recording: Recording, rng: Seed | None = None) -> ClosedLoop:
    """Return the frames of a clip with and without the lights' own disturbance, noise off in the ADC.

    Frame by frame: the duty shown switches the current of the frame in which it is shown. With rng the
    microphone and the preamp add their noise, the same to both runs. The follower runs at the frame rate.
    Meant for quiet clips up to a minute.
    """
    pressure_pa, noise = recording.pressure_pa, None if rng is None else noise_streams(rng)
    if noise is not None:
        pressure_pa = pressure_pa + self_noise_pa(
            chain.microphone, pressure_pa.size, recording.sample_rate_hz, noise.microphone
        )
    rate_hz = internal_rate_hz(recording.sample_rate_hz)
    fine_pa = interpolate(pressure_pa, recording.sample_rate_hz)
    white = WhiteNoise(noise).next(fine_pa.size)
    closed, open_ = (
        _frames(chain, one, fine_pa, white, rate_hz)
        for one in (coupling, Coupling(rail_ohm=0.0, ground_ohm=0.0))
    )
    return ClosedLoop(closed, open_, float(chain.brightness_table().duty.max()))


def _frames(
    chain: Chain, coupling: Coupling, fine_pa: FloatArray, white: FloatArray, rate_hz: float
) -> FloatArray:
    from envlab.analog.kernels import stage_kernels as kernels
    from envlab.analog.sections import low_pass

    table, detector, held = chain.brightness_table(), chain.detector_as_built, chain.quiescent_state
    rectifier = chain.rectifier_as_built
    first, *rest = front_end_of(chain).items()
    microphone = FrontEnd(dict([first]), Surroundings(rate_hz))
    behind = FrontEnd(dict(rest), first[1].surroundings_behind(Surroundings(rate_hz)))
    microphone_v = microphone.advance(fine_pa).nodes[first[0]]
    quantiser = Quantiser([chain], [chain])
    edges = np.round(
        np.arange(0, fine_pa.size / rate_hz * chain.frame_rate_hz) / chain.frame_rate_hz * rate_hz
    )
    edges = np.append(edges, fine_pa.size).astype(np.int64)
    rail_memory, followed = 0.0, None
    duty = np.zeros(edges.size - 1)
    for frame in range(duty.size):
        above_zero = quantiser.counts(np.array([[held.held_v]]), np.zeros(1))[0]
        light = light_of_counts(
            chain, above_zero, table, range(1), rate_hz=chain.frame_rate_hz, state=followed
        )
        duty[frame], followed = float(light.duty[0]), light.follower_state
        span = slice(edges[frame], edges[frame + 1])
        turns = np.arange(span.start, span.stop) * (coupling.pwm_hz / rate_hz)
        current_a = swing_a(chain) * (turns % 1.0 < duty[frame])
        rail_v = coupling.rail_v_per_a * current_a
        if math.isfinite(coupling.decoupling_corner_hz):
            pole = low_pass(coupling.decoupling_corner_hz, rate_hz)
            rail_v, rail_memory = kernels.first_order(rail_v, *pole, rail_memory)
        signal_v = microphone_v[span] + rail_v + coupling.ground_ohm * current_a
        drive_v = behind.advance(signal_v, None, white[span.start : span.stop + 1]).nodes[rest[-1][0]]
        _, held = hold_rectified(drive_v, rectifier, detector, sample_rate_hz=rate_hz, state=held)
    return duty
